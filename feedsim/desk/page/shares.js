// The shares to be accepted, each with its interval and its limit; misses by cause.

import { inStep, make, setAttribute, setText } from "./dom.js";
import { logarithmic, point, span, track } from "./bars.js";
import { carriersWords, makeCard } from "./card.js";

const LEAST = 1e-6;
const NAMES = { within_tolerance: "Out of tolerance", missed: "Missed", jam_risk: "Jam risk" };

/** A figure as a share that should be small, whichever way round it is given. */
const small = ({ at_least, share, low, high, limit }) =>
  at_least ? { share: flip(share), low: flip(high), high: flip(low), limit: flip(limit) } : { share, low, high, limit };

const flip = (share) => (share === null ? null : 1 - share);

const at = logarithmic(LEAST, 1);

const sign = ({ met, decided }) => {
  if (met === null) return "";
  if (!decided) return met ? "? met so far" : "? not met so far";
  return met ? "✓ met" : "✕ not met";
};

const bar = (figure, kind) => {
  const { share, low, high, limit } = small(figure);
  const marks = [span(0, at(limit ?? 1), "allowed")];
  if (low !== null) marks.push(span(at(low), at(high), `interval ${kind}`));
  if (share !== null) marks.push(point(at(share), `at ${kind}`));
  if (limit !== null) marks.push(point(at(limit), "limit"));
  return track(...marks);
};

export const makeShares = ({ onStory }) => {
  const figures = make("div", { class: "figures" });
  const [causesHead, causes, stories] = [make("h3"), make("div", { class: "rows" }), make("span")];
  const toStories = make("p", { class: "carriers" }, "Their stories: ", stories);
  const note = make("p", { class: "legend", text: "Bars: 95 % interval, on a logarithmic scale from one in a million to all; the vertical line is the limit." });
  const card = makeCard("shares", "Shares and misses", figures, make("div", { class: "causes rows" }, causesHead, causes, toStories), note);

  const oneFigure = (figure, former, letters) => {
    const inside = figure.at_least ? "in tolerance " : "";
    const most = `${figure.at_least ? "at least" : "at most"} ${figure.limit_text}`;
    const words = former ? `${inside}${letters[0]} ${former.text}, ${letters[1]} ${figure.text}, ${most}` : `${inside}${figure.text}, ${most}`;
    const rows = former
      ? [labelled(letters[0], bar(former, "a"), short(former)), labelled(letters[1], bar(figure, "now"), short(figure))]
      : [bar(figure, "now")];
    return make(
      "div",
      { class: "figure" },
      make("div", { class: "figure-head" }, make("b", { text: NAMES[figure.figure] }), make("span", { class: `met ${figure.decided ? (figure.met ? "yes" : "no") : "open"}`, text: sign(figure) })),
      ...rows,
      make("p", { class: "figure-words", text: words }),
    );
  };

  return {
    ...card,
    show({ now, a, carriers, letters }) {
      card.of(carriersWords(carriers));
      figures.replaceChildren(...now.figures.map((figure, i) => oneFigure(figure, a?.figures[i], letters)));
      const { missed } = now;
      const most = Math.max(1, ...missed.causes.map((cause) => cause.count));
      setText(causesHead, `Misses by cause: ${missed.count} of ${missed.of.toLocaleString("en")}${a ? ` (${letters[0]}: ${a.missed.count})` : ""}`);
      causes.replaceChildren(...missed.causes.map(({ name, count }) => labelled(name, track(span(0, count / most, "now")), String(count))));
      toStories.hidden = !missed.carriers.length;
      inStep(
        stories,
        missed.carriers.slice(0, 6),
        () => make("button", { type: "button", class: "link", on: { click: ({ currentTarget }) => onStory(Number(currentTarget.textContent)) } }),
        (button, carrier) => {
          setText(button, String(carrier));
          setAttribute(button, "aria-label", `Story of missed carrier ${carrier}`);
        },
      );
    },
  };
};

const short = (figure) => figure.text.split(" (")[0];

export const labelled = (name, bars, words) =>
  make("div", { class: "labelled" }, make("span", { class: "label", text: name }), bars, make("span", { class: "value", text: words }));
