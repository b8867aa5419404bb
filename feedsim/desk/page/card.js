// A card of the answer: its head, its number of carriers, and whether it belongs to the values shown.

import { make, setAttribute, setText } from "./dom.js";

/**
 * States: "now", for the values shown; "working", for the previous values while the answer is on its way;
 * "good", for the last valid values; "none", nothing yet.
 */
const WORDS = { working: "previous values", good: "last valid values", none: "" };

export const makeCard = (id, title, ...body) => {
  const of = make("span", { class: "card-of" });
  const state = make("span", { class: "card-state" });
  const heading = make("h2", { text: title, id: `${id}-head` });
  const element = make("section", { class: "card", id, "aria-labelledby": `${id}-head` }, make("div", { class: "card-head" }, heading, of, state), ...body);
  return {
    element,
    heading,
    of: (words) => setText(of, words),
    state(name, turn = "") {
      setAttribute(element, "data-state", name);
      const words = WORDS[name] ?? "";
      setText(state, name === "good" && turn ? `${words} (${turn})` : words);
    },
  };
};

export const carriersWords = (count) => `${count.toLocaleString("en")} carriers`;
