// Starts the desk: the scenario it was opened on, the knobs, the questions, the cards.

import { make, one, setText } from "./dom.js";
import { makeFilm } from "./film.js";
import { makeHeader } from "./header.js";
import { makeKeeping } from "./keeping.js";
import { listenToButtons, listenToKeys } from "./keys.js";
import { makeKnobs } from "./knobs.js";
import { makeLimit } from "./limit.js";
import { makeMeasure } from "./measure.js";
import { makeNotices } from "./notices.js";
import { makePlanner } from "./planner.js";
import { Gone, readState } from "./server.js";
import { makeShown } from "./shown.js";
import { makeStory } from "./story.js";
import { makeSweep } from "./sweep.js";
import { makeTake } from "./take.js";
import { followSystem, switchTheme } from "./theme.js";
import { makeTurns } from "./turns.js";

const HEARTBEAT_MS = 3000;

const start = (state) => {
  const measure = makeMeasure();
  const keeping = makeKeeping(state);
  const notices = makeNotices({ onGoTo: (path) => knobs.goTo(path) });
  const turns = makeTurns(beginning(state, keeping.session(), notices), (event) => turned(event));
  const header = makeHeader({ turns });
  const knobs = makeKnobs({ turns, onTurned: () => {} });
  const shown = makeShown({
    turns,
    measure,
    notices,
    rounds: state.rounds,
    onStory: (carrier) => story.tell(carrier),
    onTitle: (text) => header.title(text),
  });
  const film = makeFilm({ onWanted: () => planner.wantPlaying() });
  const sweep = makeSweep({ planner: () => planner, turns, knobs });
  const limit = makeLimit({ planner: () => planner, turns });
  const story = makeStory({ planner: () => planner, shown, onPlay: (carrier) => film.playAround(carrier) });
  one("cards").append(film.element, sweep.element, limit.element);

  const planner = makePlanner({
    turns,
    pinned: () => turns.pin,
    rounds: () => shown.rounds,
    playingFor: film.wanted,
    on: {
      answer(head, answer) {
        notices.back();
        if (head.what === "knobs") {
          if (head.turn === turns.id) knobs.update(answer);
          sweep.offer();
          return;
        }
        if (head.ofA) return shown.answerOfA(head, answer);
        if (head.what === "playing") {
          film.show(answer);
          film.state(head.turn === turns.id ? "now" : "working");
          return;
        }
        shown.answer(head, answer);
        if (head.what === "run" || head.what === "against") take.listCommands();
        if (head.what === "forms" && head.turn === turns.id) {
          knobs.faults([]);
          knobs.autos(answer.autos);
        }
      },
      faults(head, faults) {
        if (head.turn !== turns.id || head.ofA) return;
        const words = faults.map((fault) => fault.text).join("; ");
        if (head.what === "playing") return film.tell(words);
        if (head.what === "speeds") return shown.noSpeeds(head, words);
        if (head.what === "forms") knobs.faults(faults);
        shown.faults(head, faults);
      },
      refused(head, words) {
        if (head.what === "playing") film.tell(words);
        else if (head.what === "speeds" && !head.ofA) shown.noSpeeds(head, words);
        else shown.refused(head, words);
      },
      progress: (head, progress) => shown.progress(head, progress),
      broken: () => {},
      gone: () => notices.gone(),
      locked: () => notices.locked(),
    },
  });

  const turned = (event) => {
    measure.begin(turns.id, event);
    planner.turned();
    knobs.show();
    shown.turned();
    film.turned();
    sweep.turned();
    limit.turned();
    header.show();
    keeping.keep(turns.kept, turns.now.changes);
  };

  const pinned = () => {
    shown.pinned();
    header.show();
    planner.again();
    keeping.keep(turns.kept, turns.now.changes);
  };

  const take = makeTake({
    planner: () => planner,
    turns,
    shown,
    film,
    onSaved: ({ saved, text }) => turns.restart({ file: turns.base.file, name: saved, text }, `saved as ${saved}`),
  });

  const deeds = {
    undo: (event) => turns.goTo(turns.at - 1, event),
    redo: (event) => turns.goTo(turns.at + 1, event),
    turns: () => header.listTurns(),
    reset: () => Object.keys(turns.now.changes).length && turns.reset("all knobs back to the file"),
    pin: () => {
      if (turns.pin) turns.letGo();
      else turns.pinNow();
      pinned();
    },
    take: () => take.open(),
    search: () => one("knob-search").focus(),
    theme: switchTheme,
    keys: () => {
      setText(one("measured"), measuredWords(measure.painted));
      one("keys-dialog").showModal();
    },
  };
  listenToKeys(deeds);
  listenToButtons(deeds);
  for (const [name, holds] of [["pointerdown", true], ["pointerup", false], ["pointercancel", false]])
    document.addEventListener(name, () => turns.settle(holds), { capture: true });

  const beat = async () => {
    let next = HEARTBEAT_MS;
    try {
      const now = await readState();
      notices.engine(now.engine);
      if (notices.back()) planner.again();
      if (now.engine !== "ready") next = 1000;
    } catch (error) {
      if (error instanceof Gone) notices.gone();
      else notices.locked();
      next = 1000;
    }
    setTimeout(beat, next);
  };

  offerLast(keeping, notices, turns);
  notices.engine(state.engine);
  setText(one("cautions"), state.cautions.map((text) => text.split(". ")[0].replace(/\.?$/, ".")).join(" "));
  one("cautions-whole").replaceChildren(...state.cautions.map((text) => make("p", { text })));
  header.show();
  planner.again();
  setTimeout(beat, HEARTBEAT_MS);
  window.desk = { turns, knobs, shown, measure, planner, state };
};

/** The turns of this tab before it was reloaded, else the scenario as it was opened. */
const beginning = (state, kept, notices) => {
  const opened = state.files.map((file, i) => ({ file: i, name: file.file, text: file.text }));
  const last = opened.length - 1;
  const asOpened = (base, words) => ({ base, changes: {}, path: null, words });
  const fresh = { bases: [opened[last]], history: [asOpened(0, "as it was opened")], at: 0, pin: null };
  if (last > 0) {
    fresh.bases.push(opened[0]);
    fresh.pin = asOpened(1, opened[0].name);
  }
  if (!kept?.history?.length) return fresh;
  if (kept.bases[0].text === opened[last].text) return kept;
  notices.kept("The file has changed since; your turns now apply to its new text.");
  const { changes } = kept.history[kept.at];
  return { ...fresh, history: [...fresh.history, { base: 0, changes, path: null, words: "turned before the file changed" }], at: 1 };
};

/** Offer what was turned earlier in this browser, in another tab or with a server that has ended. */
const offerLast = (keeping, notices, turns) => {
  const last = keeping.last();
  const count = Object.keys(last ?? {}).length;
  if (!count || keeping.session()) return;
  const take = () => {
    turns.adopt(last, "turned earlier");
    notices.closeKept();
  };
  const words = `Turned earlier in this browser: ${count === 1 ? "1 knob" : `${count} knobs`} of this scenario. `;
  notices.kept(words, make("button", { type: "button", id: "take-up", text: "Restore", on: { click: take } }));
};

const measuredWords = (painted) => {
  const words = (what, name) => {
    const times = painted.filter((p) => p.what === what).map((p) => p.ms).sort((a, b) => a - b);
    return times.length ? `${name} after ${times[Math.floor(0.5 * times.length)].toFixed(0)} ms (median of ${times.length} turns)` : "";
  };
  return [words("forms", "Closed forms painted"), words("run", "first histogram")].filter(Boolean).join(", ");
};

const begin = async () => {
  followSystem();
  try {
    start(await readState());
  } catch (error) {
    const lost = error instanceof Gone ? "The server does not answer." : "Open the address that feedsim desk printed.";
    setText(one("about"), error.name === "Error" ? lost : String(error));
    if (!(error instanceof Gone) && error.constructor.name !== "Locked") throw error;
    setTimeout(begin, 1000);
  }
};

begin();
