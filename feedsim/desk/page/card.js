// A card of the answer: its head, of how much it is, and whether it is of the values shown.

import { make, setAttribute, setText } from "./dom.js";

/**
 * States: "now", of the values shown; "working", of values before while the answer is on its way;
 * "good", of the last good values; "none", nothing yet.
 */
const WORDS = { working: "values before", good: "of the last good values", none: "" };

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
