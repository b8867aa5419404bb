// What `check` warns of at the values that are shown, of every feeder, and what no closed form knows.

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
