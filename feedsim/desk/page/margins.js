// How far away each hazard is: in closed form at once, then simulated, with its spread.

import { make, setText } from "./dom.js";
import { linear, point, span, track } from "./bars.js";
import { carriersWords, makeCard } from "./card.js";

const whisker = ({ margin_mean: mean, margin_sd: sd }, kind, furthest) => {
  const at = linear(-0.12 * furthest, 1.02 * furthest);
  return track(span(0, at(0), "beyond"), point(at(0), "limit"), span(at(mean - 3 * sd), at(mean + 3 * sd), `interval ${kind}`), point(at(mean), `at ${kind}`));
};

const reach = ({ margin_mean: mean, margin_sd: sd }) => (mean === null ? 0 : Math.abs(mean) + 3 * sd);

export const makeMargins = () => {
  const closed = make("dl", { class: "pairs" });
  const closedOf = make("h3");
  const simulatedOf = make("h3");
  const rows = make("tbody");
  const head = make("thead");
  const table = make("table", { class: "margins" }, head, rows);
  const legend = make("p", { class: "legend", text: "Mean margin with 3 sd to each side; the vertical line is where the hazard begins, each on its own scale." });
  const card = makeCard("margins", "Margins of the hazards", closedOf, closed, simulatedOf, table, legend);

  const row = (hazard, former, letters) => {
    const furthest = Math.max(reach(hazard), former ? reach(former) : 0) || 1;
    const [name, seen, mean, sd] = hazard.text;
    const drawn = hazard.margin_mean === null ? [] : [...(former?.margin_mean != null ? [whisker(former, "a", furthest)] : []), whisker(hazard, "now", furthest)];
    const both = (mine, theirs) => (former ? `${letters[0]} ${theirs}\n${letters[1]} ${mine}` : mine);
    return make(
      "tr",
      {},
      make("th", { scope: "row", text: hazard.seen ? `⚠ ${name}` : name }, ...drawn),
      make("td", { text: both(mean, former?.text[2]) }),
      make("td", { text: both(sd, former?.text[3]) }),
      make("td", { class: hazard.seen ? "bad" : "", text: both(seen, former?.text[1]) }),
    );
  };

  return {
    ...card,
    showClosed(feeder, former, letters, of) {
      setText(closedOf, `In ${of}`);
      card.element.classList.toggle("wide", Boolean(former));
      closed.replaceChildren(...feeder.margins.flatMap((margin, i) => {
        const sd = margin.sd_text ? ` ± ${margin.sd_text}` : "";
        const other = former?.margins[i];
        const words = `${margin.past ? "✕ past: " : ""}${margin.text}${sd}`;
        return [make("dt", { text: margin.name }), make("dd", { class: margin.past ? "bad" : "", text: other ? `${letters[0]} ${other.text}\n${letters[1]} ${words}` : words })];
      }));
    },
    show({ now, a, carriers, letters }) {
      setText(simulatedOf, `Simulated, ${carriersWords(carriers)}`);
      head.replaceChildren(make("tr", {}, ...["Hazard, margin", "mean", "sd", "seen"].map((text) => make("th", { scope: "col", text }))));
      rows.replaceChildren(...now.hazards.map((hazard, i) => row(hazard, a?.hazards[i], letters)));
    },
  };
};
