// A against now with the same random numbers: paired differences, and what they decide.

import { make, setText } from "./dom.js";
import { carriersWords, makeCard } from "./card.js";

export const makeDifferences = () => {
  const table = make("table", { class: "differences" });
  const words = make("p", { class: "card-words" });
  const card = makeCard("differences", "A against now", words, table);
  card.element.classList.add("wide");
  card.element.hidden = true;
  return {
    ...card,
    hide: () => (card.element.hidden = true),
    show(answer, place, apart) {
      const { unit: length } = answer.now.feeders[0].histogram;
      card.element.hidden = false;
      setText(card.heading, `A against now, ${answer.shared}`);
      card.of(carriersWords(answer.carriers));
      const feeder = answer.feeders[Math.min(place, answer.feeders.length - 1)];
      const saidOf = new Map(feeder.words.map(({ figure, said }) => [figure, [said].flat().join("; ")]));
      const head = make("tr", {}, ...["Figure", "now minus A, 95 %", "what is decided"].map((text) => make("th", { scope: "col", text })));
      const row = (name, difference, said) => make("tr", {}, make("th", { scope: "row", text: name }), make("td", { text: difference }), make("td", { text: said }));
      const rows = feeder.differences.map(({ figure, text, better, unit }) =>
        row(`${figure}, ${unit === "share" ? "% points" : length}`, text.replace(/ (A|now)$/, "") || "–", `${better ? `✓ ${better} is better: ` : ""}${saidOf.get(figure) ?? ""}`));
      if (answer.per_hour.text) rows.push(row("Complete products per hour", answer.per_hour.text, ""));
      table.replaceChildren(make("thead", {}, head), make("tbody", {}, ...rows));
      setText(words, [apart, ...answer.notes].join(" "));
    },
  };
};
