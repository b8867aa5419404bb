// Notices at the top of the page: faults, a lost server, an engine being compiled.

import { make, one, setText } from "./dom.js";

const show = (element, isBad, ...children) => {
  element.classList.toggle("bad", isBad);
  element.replaceChildren(...children);
  element.hidden = false;
};

const LOST = "What you turned is kept in this browser.";

export const makeNotices = ({ onGoTo }) => {
  const server = one("server-notice");
  const fault = one("fault-notice");
  const kept = one("kept-notice");
  const engine = one("engine-notice");
  let lost = "";
  const lose = (how, ...children) => {
    if (lost !== how) show(server, true, ...children);
    lost = how;
  };
  return {
    gone: () =>
      lost !== "locked" &&
      lose("gone", make("b", { text: "✕ The server does not answer." }), `${LOST} Knobs can still be turned; answers come when it is back. If it has ended, start it again with the same --port.`),
    locked: () =>
      lose("locked", make("b", { text: "✕ The server was restarted." }), `${LOST} Open the address that feedsim desk printed: your values come back there.`),
    /** The server answers; returns whether it had not before. */
    back() {
      const was = Boolean(lost);
      lost = "";
      server.hidden = true;
      return was;
    },
    engine(state) {
      engine.hidden = state === "ready";
      setText(engine, state === "ready" ? "" : "… The engine is loading (compiling, some 15 s, the first time on a machine); runs take longer until then.");
    },
    kept(words, ...more) {
      const close = make("button", { type: "button", class: "link", text: "Close", on: { click: () => (kept.hidden = true) } });
      show(kept, false, words, ...more, close);
    },
    closeKept: () => (kept.hidden = true),
    faults(faults, what, head = "No such line.") {
      fault.hidden = !faults.length;
      const words = JSON.stringify([faults, what, head]);
      if (!faults.length || fault.dataset.words === words) return; // said already, and perhaps being read
      fault.dataset.words = words;
      const items = faults.slice(0, 6).map(({ path, text }) =>
        make("li", {}, `${text} `, ...(path ? [make("button", { type: "button", class: "link", text: "go there", "aria-label": `Go to ${path}`, on: { click: () => onGoTo(path) } })] : [])));
      show(fault, true, make("p", {}, make("b", { text: `✕ ${head}` }), what), make("ul", {}, ...items));
    },
  };
};
