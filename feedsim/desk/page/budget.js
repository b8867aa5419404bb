// The error budget: variances, largest first, their sum as a spread, and the share in tolerance.

import { make, setText } from "./dom.js";
import { linear, point, span, track } from "./bars.js";
import { makeCard } from "./card.js";

const MOST = 7;

/** The largest sources, and the rest as one. */
const shownOf = (sources) => {
  if (sources.length <= MOST + 1) return sources;
  const rest = sources.slice(MOST);
  const mm = Math.sqrt(rest.reduce((sum, s) => sum + s.mm ** 2, 0));
  const share = rest.reduce((sum, s) => sum + s.share, 0);
  return [...sources.slice(0, MOST), { name: `${rest.length} others`, mm, share, text: "", share_text: `${(100 * share).toFixed(1)} %` }];
};

export const makeBudget = () => {
  const rows = make("div", { class: "waterfall rows" });
  const words = make("p", { class: "card-words" });
  const legend = make("p", { class: "legend", text: "Each bar begins where the one above ends: variances add, to the square of the sd." });
  const more = make("p", { class: "legend" });
  const card = makeCard("budget", "Error budget", rows, words, legend, more);
  return {
    ...card,
    show(feeder, former, letters, of) {
      card.of(of);
      const { budget } = feeder;
      if (!budget) {
        rows.replaceChildren();
        setText(words, "No budget for this feeder.");
        return;
      }
      const other = former?.budget;
      const whole = Math.max(budget.sd_mm ** 2, other ? other.sd_mm ** 2 : 0) || 1;
      const at = linear(0, whole);
      let sum = 0;
      const made = shownOf(budget.sources).map((source) => {
        const from = sum;
        sum += source.mm ** 2;
        const before = other?.sources.find((s) => s.name === source.name && s.side === source.side);
        const title = source.side ? `${source.name} (${source.side})` : source.name;
        const changed = other ? ` (${letters[0]} ${before?.share_text ?? "–"})` : "";
        return make("div", { class: "labelled" }, make("span", { class: "label", text: source.name, title }), track(span(at(from), at(sum), "now")), make("span", { class: "value", text: `${source.text ? `${source.text}, ` : ""}${source.share_text}${changed}` }));
      });
      const total = [span(0, at(budget.sd_mm ** 2), "total")];
      if (other) total.push(point(at(other.sd_mm ** 2), "at a"));
      made.push(make("div", { class: "labelled total" }, make("span", { class: "label", text: "all together" }), track(...total), make("span", { class: "value", text: `sd ${budget.sd_text}` })));
      rows.replaceChildren(...made);
      const said = (b) => `mean ${b.mean_text}, sd ${b.sd_text}: ${b.within_text} within ±${b.tolerance_text}`;
      setText(words, other ? `${letters[0]}: ${said(other)}. ${letters[1]}: ${said(budget)}.` : `${said(budget)}.`);
      const shifts = budget.shifts?.filter((s) => Math.abs(s.mm) > 5e-4).map((s) => `${s.name} ${s.text}`) ?? [];
      setText(more, [...(shifts.length ? [`Mean: ${shifts.join(", ")}.`] : []), ...(budget.doubts ?? [])].join(" "));
    },
  };
};
