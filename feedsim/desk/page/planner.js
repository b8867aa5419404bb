// When each question is asked. Of each kind one is under way and only the newest waits: those between
// are never asked. First the closed forms, beside them a first run; then the rest; then,
// while the knobs rest, more and more carriers.

import { Gone, Locked, Refused, ask } from "./server.js";
import { asChange } from "./steps.js";

const REST_MS = 200;

export const setupOf = (turns, turn) => {
  const { file, text } = turns.baseOf(turn);
  const changes = Object.entries(turn.changes).map(([path, { value, kind }]) => asChange(path, value, kind));
  return { file, text, changes };
};

/**
 * @param turns  the values of the knobs
 * @param pinned  returns the pinned turn, or null
 * @param rounds  returns the numbers of carriers: a first run, then more
 * @param on  {answer, faults, refused, progress, gone, locked}: called with what comes, and {turn, number, what, carriers, ofA}
 */
export const makePlanner = ({ turns, pinned, rounds, playingFor, on }) => {
  const tab = Math.random().toString(36).slice(2, 10);
  const lanes = new Map();
  let number = 0;
  let resting = null; // a timer: what takes longer comes when it ends
  let isResting = false;
  let isAlone = false; // A cannot be compared with what is shown

  const begin = async (lane) => {
    const { what, more } = lane.waiting;
    lane.waiting = null;
    const turn = turns.id;
    const question = { number: (number += 1), tab, what, ...setupOf(turns, turns.now), ...more() };
    const head = { turn, number, what, carriers: question.carriers ?? null, ofA: question.tab !== tab };
    const controller = new AbortController();
    lane.under = { head, controller };
    try {
      const line = await ask(question, { signal: controller.signal, onProgress: (p) => on.progress(head, p) });
      lane.under = null;
      if (line.answer) on.answer(head, line.answer);
      else if (line.faults) on.faults(head, line.faults);
      else if (line.refused) on.refused(head, line.refused);
      else if (line.defect) on.refused(head, `a fault of feedsim itself: ${line.defect}`);
      if (!line.dropped && !head.ofA) goOn(head, line);
    } catch (error) {
      lane.under = null;
      if (error instanceof Gone) on.gone();
      else if (error instanceof Locked) on.locked();
      else if (error instanceof Refused) on.refused(head, error.message);
      else if (error.name !== "AbortError") throw error;
      else on.broken(head);
    }
    if (lane.waiting) begin(lane);
  };

  const want = (name, what, more = () => ({})) => {
    const lane = lanes.get(name) ?? { under: null, waiting: null };
    lanes.set(name, lane);
    lane.waiting = { what, more };
    if (!lane.under) begin(lane);
  };

  const ofA = () => (pinned() && !isAlone ? { a: setupOf(turns, pinned()) } : {});

  const wantRun = (carriers) => want("run", ofA().a ? "against" : "run", () => ({ carriers, ...ofA() }));

  /** What follows an answer, to the values shown or to older ones. */
  const goOn = (head, line) => {
    const isOfNow = head.turn === turns.id;
    if (head.what === "forms") {
      if (!line.answer) return isOfNow && want("knobs", "knobs");
      if (isOfNow || !lanes.get("run")?.under) wantRun(rounds()[0]);
    } else if (head.what === "knobs" && isOfNow && isResting) {
      nextRound(rounds()[0]);
      want("speeds", "speeds");
      planner.wantPlaying();
    } else if (head.what === "against" && isOfNow && line.faults) {
      isAlone = true;
      wantRun(head.carriers);
    } else if ((head.what === "run" || head.what === "against") && isOfNow && line.answer) {
      clearTimeout(resting);
      resting = null;
      if (head.carriers === rounds()[0]) resting = setTimeout(rest, REST_MS);
      else nextRound(head.carriers);
    }
  };

  /** The knobs rest: ask all that takes longer, the knobs' own answer first and alone. */
  const rest = () => {
    resting = null;
    isResting = true;
    want("knobs", "knobs");
  };

  /** Break off what takes longer, for the new values. */
  const makeWay = () => {
    clearTimeout(resting);
    resting = null;
    isResting = false;
    for (const name of ["knobs", "speeds", "playing", "run"]) {
      const lane = lanes.get(name);
      if (!lane) continue;
      lane.waiting = null;
      if (lane.under && (name !== "run" || lane.under.head.carriers > rounds()[0])) lane.under.controller.abort();
    }
  };

  /** A has its own tab name, so that its questions and those of now do not replace each other. */
  const wantA = () => {
    for (const what of ["forms", "speeds"]) want(`${what} of A`, what, () => ({ ...setupOf(turns, pinned() ?? turns.now), tab: `${tab}-a` }));
  };

  const nextRound = (after) => {
    const next = rounds().find((carriers) => carriers > after);
    if (next) wantRun(next);
  };

  const planner = {
    /** The values have changed. */
    turned() {
      makeWay();
      isAlone = false;
      want("forms", "forms");
    },
    /** Something else has changed: A, or the server is back. */
    again() {
      makeWay();
      isAlone = false;
      want("forms", "forms");
      want("knobs", "knobs");
      if (pinned()) wantA();
    },
    want,
    wantPlaying() {
      if (isResting && playingFor()) want("playing", "playing", () => ({ ...playingFor(), carriers: rounds()[0], ...ofA() }));
    },
    /** A single question outside the plan: a sweep, a story, a file. */
    single: (what, more, options) =>
      ask({ number: (number += 1), tab, what, ...setupOf(turns, turns.now), ...more }, options),
    /** All is answered: nothing changes until the next turn. */
    get isAtRest() {
      return !resting && !this.asking.length;
    },
    /** What is under way, or waits. */
    get asking() {
      return [...lanes].filter(([, lane]) => lane.under || lane.waiting).map(([name]) => name);
    },
  };
  return planner;
};
