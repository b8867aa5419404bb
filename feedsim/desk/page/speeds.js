// Each mechanism's highest speed, lowest first, and the line speed now.

import { make, setText } from "./dom.js";
import { linear, point, span, track } from "./bars.js";
import { makeCard } from "./card.js";

const FARTHEST = 4; // times the line speed: bars beyond go on

export const makeSpeeds = () => {
  const bars = make("div", { class: "speeds rows" });
  const words = make("p", { class: "card-words" });
  const free = make("p", { class: "legend" });
  const card = makeCard("speeds", "Highest speed of each mechanism", bars, words, free);
  return {
    ...card,
    /** There are none, and why. */
    tell(why) {
      bars.replaceChildren();
      setText(words, why);
      setText(free, "");
    },
    show(now, former, letters) {
      card.of("closed form");
      const line = now.line_speed;
      const all = [...now.bars, ...(former?.bars ?? [])].map((bar) => bar.mm_s);
      const furthest = Math.min(1.08 * Math.max(line.mm_s, ...all, 1), FARTHEST * Math.max(line.mm_s, Math.min(...all)));
      const at = linear(0, furthest);
      const many = new Set(now.bars.map((b) => b.feeder)).size > 1;
      const rows = now.bars.map((bar) => {
        const other = former?.bars.find((b) => b.feeder === bar.feeder && b.mechanism === bar.mechanism);
        const marks = [span(0, Math.min(1, at(bar.mm_s)), bar.below_line_speed ? "below" : "now")];
        if (other) marks.push(point(at(other.mm_s), "at a"));
        marks.push(point(at(line.mm_s), "line"));
        const name = many ? `${bar.feeder}: ${bar.mechanism}` : bar.mechanism;
        if (bar.mm_s > furthest) marks.push(span(0.965, 1, "goes-on"));
        const value = `${bar.below_line_speed ? "✕ " : ""}${bar.text}${former ? ` (${letters[0]} ${other?.text ?? "none"})` : ""}`;
        return make("div", { class: "labelled" }, make("span", { class: "label", text: name }), track(...marks), make("span", { class: `value${bar.below_line_speed ? " bad" : ""}`, text: value }));
      });
      bars.replaceChildren(...rows);
      const below = now.bars.some((bar) => bar.below_line_speed) ? " ✕: below line speed." : "";
      setText(words, [`Vertical line: ${now.of.includes(",") ? "highest speed of line.profile" : "line speed"}, ${line.text}.${below}${all.some((v) => v > furthest) ? " Hatched bars go beyond the scale." : ""}`, ...now.words].join(" "));
      const words_ = now.refused.map((part) => part.words).filter(Boolean);
      const refused = words_.length ? [`Refused: ${words_.join("; ")}.`] : [];
      setText(free, [...(now.free.length ? [`No limit up to ${now.furthest?.text ?? "the highest speed looked at"}: ${now.free.join(", ")}.`] : []), ...refused, ...now.not_counted].join(" "));
    },
  };
};
