// The highest accepted line speed, searched for by simulation.

import { make } from "./dom.js";
import { makeLongWork } from "./long_work.js";

export const makeLimit = ({ planner, turns }) => {
  const within = make("select", { id: "limit-within" }, ...["10 %", "5 %", "2 %"].map((text) => make("option", { value: text, text })));
  within.value = "5 %";
  return makeLongWork({
    id: "limit",
    title: "Highest speed, simulated",
    about: "Simulates speeds until the highest accepted one is known this closely.",
    controls: [make("label", { class: "work-label" }, "known within", within)],
    planner,
    turns,
    question: () => ({ what: "limit", more: { within: within.value } }),
    show: (place, { low, high, text }) => {
      const words = low && high ? `Accepted up to ${low.text}, not at ${high.text}.` : low ? `Accepted up to ${low.text}.` : "No speed was accepted.";
      place.replaceChildren(make("p", { class: "verdict-words", text: words }), make("pre", { text, tabindex: "0" }));
    },
  });
};
