// What the cards show: the newest answer of each kind, and whether it belongs to the values shown.

import { inStep, make, one, setText } from "./dom.js";
import { makeBudget } from "./budget.js";
import { makeDifferences } from "./differences.js";
import { makeHistogram } from "./histogram.js";
import { makeMargins } from "./margins.js";
import { makeShares } from "./shares.js";
import { makeSpeeds } from "./speeds.js";
import { makeVerdict } from "./verdict.js";
import { makeWarnings } from "./warnings.js";

const LETTERS = ["A", "now"];
const SOON_MS = 60; // an answer that comes within is not announced: its cards would be drawn twice

export const makeShown = ({ turns, measure, notices, rounds: usual, onStory, onTitle }) => {
  const verdict = makeVerdict(one("verdict"));
  const histogram = makeHistogram({ onStory });
  const shares = makeShares({ onStory });
  const margins = makeMargins();
  const speeds = makeSpeeds();
  const budget = makeBudget();
  const differences = makeDifferences();
  const warnings = makeWarnings();
  const cards = { histogram, shares, warnings, differences, margins, speeds, budget };
  one("cards").append(...Object.values(cards).map((card) => card.element));

  const newest = { forms: null, run: null, speeds: null }; // {head, now, a}
  const ofA = { forms: null, speeds: null }; // answers of the pinned values
  let feeder = 0;
  let faults = [];
  let refused = "";
  let inShort = "";
  let stale = null; // a timer: when it ends, cards of previous values say so
  let apart = []; // why A cannot be compared with what is shown

  /** Numbers of carriers to run, first and later: fewer where a run takes longer. */
  const rounds = () => {
    const own = newest.forms?.now.rounds ?? usual;
    return own[0] < usual[0] ? own.slice(0, usual.length) : usual;
  };

  const tellFaults = () => {
    const good = newest.run ?? newest.forms;
    if (faults.length || !apart.length) notices.faults(faults, good ? " The answers shown are for the last valid values." : "");
    else notices.faults(apart.map(({ text }) => ({ text })), " What is shown runs without A.", "A cannot be compared with what is shown.");
  };

  const stateOf = (found) => {
    if (!found) return "none";
    if (found.head.turn === turns.id) return "now";
    return faults.length ? "good" : "working";
  };

  const showStates = () => {
    clearTimeout(stale);
    stale = null;
    const of = { forms: stateOf(newest.forms), run: stateOf(newest.run), speeds: stateOf(newest.speeds) };
    if (refused && of.run === "working") of.run = "good";
    for (const card of [histogram, shares, differences]) card.state(of.run, turnOf("run"));
    margins.state(of.run === "none" ? of.forms : of.run, turnOf(of.run === "none" ? "forms" : "run"));
    speeds.state(of.speeds, turnOf("speeds"));
    showFormsStates();
    setText(one("summary"), `${{ good: "Last valid values: ", working: "Previous values: " }[of.run] ?? ""}${inShort}`);
    verdict.state(of.run, refused || (of.run === "good" ? `of the last valid values (${turnOf("run")})` : ""));
  };

  const showFormsStates = () => {
    for (const card of [budget, warnings]) card.state(stateOf(newest.forms), turnOf("forms"));
  };

  const turnOf = (kind) => newest[kind]?.words ?? "";

  const feederOf = (answer) => answer?.feeders[Math.min(feeder, answer.feeders.length - 1)];

  const show = {
    forms() {
      const { now } = newest.forms;
      const a = ofA.forms;
      verdict.showForms(now, a, LETTERS);
      warnings.show(now);
      margins.showClosed(feederOf(now), feederOf(a), LETTERS, now.of);
      budget.show(feederOf(now), feederOf(a), LETTERS, now.of);
      showFeeders(now);
    },
    run() {
      const { now, a, head, answer } = newest.run;
      const found = newest.forms?.head.turn === head.turn ? newest.forms.now : null;
      const [forms, notCounted] = [feederOf(found)?.budget, found?.not_counted ?? []];
      const look = { now: feederOf(now), a: feederOf(a), carriers: head.carriers, letters: LETTERS };
      verdict.showRun(now, a, LETTERS);
      histogram.show({ ...look, forms, notCounted });
      shares.show(look);
      margins.show(look);
      if (a) differences.show(answer, feeder, turns.apart(head.turn));
      else differences.hide();
      setText(one("printed-text"), a ? `A\n${a.text}\n\nnow\n${now.text}` : now.text);
      inShort = `${now.verdict.words}; ${feederOf(now).figures[0].text.split(" (")[0]} in tolerance, ${head.carriers.toLocaleString("en")} carriers`;
    },
    speeds() {
      speeds.show(newest.speeds.now, ofA.speeds, LETTERS);
    },
  };

  const showAll = () => {
    for (const kind of Object.keys(newest)) if (newest[kind]) show[kind]();
    showStates();
  };

  const showFeeders = (forms) => {
    const names = forms.feeders.map((f) => f.name);
    const box = one("feeders");
    box.hidden = names.length < 2;
    if (names.length < 2) return;
    let list = box.querySelector("div");
    if (!list) list = box.appendChild(make("div", { class: "choices" }));
    inStep(
      list,
      names,
      (i) => make("label", {}, make("input", { type: "radio", name: "feeder", value: String(i), checked: i === feeder, on: { change: () => ((feeder = i), showAll()) } }), make("span")),
      (label, name) => setText(label.lastElementChild, name),
    );
  };

  /** An answer to an older question never replaces a newer one. */
  const isNewer = (kind, head) => !newest[kind] || head.number > newest[kind].head.number;

  return {
    newest,
    cards,
    get rounds() {
      return rounds();
    },
    get feeder() {
      return feeder;
    },
    turned() {
      refused = "";
      apart = [];
      stale ??= setTimeout(showStates, SOON_MS);
      verdict.showRound(rounds()[0], 0, 0, Boolean(newest.run));
    },
    /** A was pinned anew, or let go. */
    pinned() {
      [ofA.forms, ofA.speeds] = [null, null];
      apart = [];
      for (const kind of ["forms", "speeds"]) if (newest[kind]) show[kind]();
    },
    noSpeeds(head, why) {
      if (head.turn !== turns.id) return;
      newest.speeds = null;
      speeds.tell(why);
      showStates();
    },
    answerOfA(head, answer) {
      if (!turns.pin || !(head.what in ofA)) return;
      ofA[head.what] = answer;
      if (newest[head.what]) show[head.what]();
    },
    answer(head, answer) {
      const kind = head.what === "against" ? "run" : head.what;
      if (!(kind in newest) || !isNewer(kind, head)) return false;
      const isOfNow = head.turn === turns.id;
      newest[kind] = { head, now: answer.now ?? answer, a: answer.a ?? null, answer, words: turns.wordsOf(head.turn) };
      if (isOfNow) {
        faults = [];
        refused = "";
        tellFaults();
      }
      show[kind]();
      if (kind === "forms" && stale) showFormsStates();
      else showStates();
      if (kind === "run" && (isOfNow || !faults.length)) verdict.showRound(isOfNow ? (rounds().find((n) => n > head.carriers) ?? null) : rounds()[0], 0, 0, !isOfNow);
      if (kind === "forms") onTitle?.(answer.title);
      measure.written(kind, head.turn);
      return true;
    },
    faults(head, found) {
      if (head.what === "against") apart = found;
      else {
        faults = found;
        verdict.showRound(null);
      }
      tellFaults();
      showStates();
    },
    refused(head, words) {
      if (head.turn !== turns.id || !["run", "against"].includes(head.what)) return;
      verdict.showRound(null);
      refused = words;
      if (!newest.run) verdict.showNoRun(words);
      showStates();
    },
    progress(head, { done, total }) {
      if (head.turn === turns.id && ["run", "against"].includes(head.what)) verdict.showRound(head.carriers, done, total, newest.run?.head.turn !== turns.id && Boolean(newest.run));
    },
    showAll,
  };
};
