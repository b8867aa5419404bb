// Title, undo and redo by name, the list of all turns.

import { make, one, setAttribute, setText } from "./dom.js";

export const makeHeader = ({ turns }) => {
  const button = (id, sign, words, place) => {
    const there = turns.history[place];
    setAttribute(one(id), "aria-disabled", there ? null : "true");
    setAttribute(one(id), "aria-label", there ? `${words}: ${there.words}` : `${words}: nothing`);
    setAttribute(one(id), "title", there ? `${words}: ${there.words}` : `Nothing to ${words.toLowerCase()}`);
  };
  const header = {
    show() {
      const { base, now } = turns;
      const turned = Object.keys(now.changes).length;
      const last = turns.at > 0 ? ` · last turn: ${now.words}` : "";
      setText(one("about"), `${base.name} · ${turned === 1 ? "1 knob" : `${turned} knobs`} turned${last}`);
      button("undo", "↶", "Undo", turns.at > 0 ? turns.at : -1);
      button("redo", "↷", "Redo", turns.at + 1);
      const { pin } = turns;
      setAttribute(one("pin"), "aria-pressed", String(Boolean(pin)));
      setText(one("pin"), pin ? "A is pinned: let go" : "Pin as A");
      setAttribute(one("pin"), "title", pin ? `A: ${pin.words}` : "Pin what is shown as A, to compare later turns with it");
      setAttribute(one("reset"), "aria-disabled", turned ? null : "true");
    },
    title: (text) => {
      setText(one("title"), text);
      document.title = `${text}: feedsim desk`;
    },
    listTurns() {
      one("turn-list").replaceChildren(
        ...turns.history.map((turn, place) =>
          make("li", {}, make("button", { type: "button", "aria-current": place === turns.at ? "step" : null, "aria-pressed": String(place === turns.at), text: `${turn.words}${place === turns.at ? " (now)" : ""}`, on: { click: (event) => {
            turns.goTo(place, event);
            one("turns-dialog").close();
          } } }))),
      );
      one("turns-dialog").showModal();
      one("turn-list").children[turns.at].scrollIntoView({ block: "nearest" });
    },
  };
  return header;
};
