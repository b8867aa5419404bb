// What `check` warns of at the values shown, for every feeder, and what the closed forms leave out.

import { make } from "./dom.js";
import { makeCard } from "./card.js";

export const makeWarnings = () => {
  const list = make("ul", { class: "verdict-reasons" });
  const card = makeCard("warnings", "What feedsim check warns of", list);
  card.element.classList.add("wide");
  card.element.hidden = true;
  return {
    ...card,
    show({ warnings, not_counted: notCounted, feeders }) {
      const named = ({ name }, words) => (feeders.length > 1 ? `${name}: ${words}` : words);
      const texts = [...notCounted, ...warnings, ...feeders.flatMap((feeder) => feeder.warnings.map((words) => named(feeder, words)))];
      card.element.hidden = texts.length === 0;
      list.replaceChildren(...texts.map((text) => make("li", { text })));
    },
  };
};
