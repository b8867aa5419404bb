// Where the inserts land: the placement errors in their tolerance; a bar opens the story of a carrier in it.

import { drawn, inStep, make, setAttribute, setAttributes, setText, watchSize } from "./dom.js";
import { carriersWords, makeCard } from "./card.js";

const STEPS = [1, 2, 2.5, 5];

/** About this many round values along an axis. */
export const ticks = (from, to, about) => {
  const rough = (to - from) / about;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * (STEPS.find((s) => s * power >= rough) ?? 10);
  const found = [];
  for (let i = Math.ceil(from / step - 1e-9); i * step <= to + 1e-9 * step; i++) found.push(i * step);
  return found.map((value) => ({ value, text: String(Number(value.toPrecision(6))).replace("-", "−") }));
};

/** The normal curve of the closed forms, as counts of a bin. */
const normal = (x, { mean, sd }, scale) => (scale / (sd * Math.sqrt(2 * Math.PI))) * Math.exp(-0.5 * ((x - mean) / sd) ** 2);

export const makeHistogram = ({ onStory }) => {
  const [behind, bins, before] = [1, 2, 3].map(() => drawn("g"));
  const svg = drawn("svg", { class: "histogram", role: "group" }, behind, bins, before);
  const words = make("p", { class: "card-words" });
  const legend = make("p", { class: "legend" });
  const box = make("div", { class: "drawing" }, svg);
  const card = makeCard("placement", "Placement error", box, legend, words);
  let size = { width: 0, height: 0, rem: 16 };
  let shown = null;
  let focused = 0; // which bar Tab goes to
  let near = null; // the error of the bar that the user has gone to

  watchSize(box, (to) => {
    size = to;
    if (shown) paint();
  });

  const goTo = (place) => {
    focused = place;
    [...bins.children].forEach((bin, i) => setAttribute(bin, "tabindex", i === focused ? "0" : "-1"));
  };

  svg.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    const all = [...bins.children];
    if (step) {
      goTo(Math.min(all.length - 1, Math.max(0, all.indexOf(document.activeElement) + step)));
      all[focused].focus();
      event.preventDefault();
    } else if (event.key === "Enter" || event.key === " ") {
      document.activeElement.dispatchEvent(new MouseEvent("click", { bubbles: true }));
      event.preventDefault();
    }
  });

  bins.addEventListener("focusin", ({ target }) => (near = filled()[[...bins.children].indexOf(target)]?.middle ?? near));

  svg.addEventListener("click", ({ target, clientX, clientY }) => {
    // the bar that was pressed may have moved from under the pointer
    const bin = target.closest(".bin") ?? document.elementFromPoint(clientX, clientY)?.closest(".bin");
    if (bin) onStory(Number(bin.dataset.carrier));
  });

  /** The bins that are not empty. */
  const filled = () => {
    const { edges, counts, carriers } = shown.now;
    const all = counts.map((count, i) => ({ count, from: edges[i], to: edges[i + 1], middle: (edges[i] + edges[i + 1]) / 2, carrier: carriers[i][0] }));
    return all.filter(({ count }) => count > 0);
  };

  const paint = () => {
    const { now, a, forms } = shown;
    const { width, height, rem } = size;
    if (width < 20 || height < 20) return;
    const { edges, counts, tolerance, unit } = now;
    const margin = { left: 0.4 * rem, right: 0.4 * rem, top: 1.5 * rem, bottom: 1.7 * rem };
    const left = Math.min(edges[0], a?.edges[0] ?? Infinity);
    const right = Math.max(edges.at(-1), a?.edges.at(-1) ?? -Infinity);
    const x = (value) => margin.left + ((value - left) / (right - left)) * (width - margin.left - margin.right);
    const density = (h) => h.counts.map((n, i) => n / ((h.edges[i + 1] - h.edges[i]) * Math.max(1, h.placed)));
    const tallest = Math.max(...density(now), ...(a ? density(a) : []), 1e-12);
    const peak = forms?.sd > 0 ? normal(forms.mean, forms, 1) : 0;
    const highest = now.placed ? Math.max(tallest, Math.min(peak, 1.5 * tallest)) : peak || 1;
    const floor = height - margin.bottom;
    const y = (value) => floor - (value / highest) * (floor - margin.top) * 0.96;
    const parts = [];

    behind.replaceChildren(drawn("rect", { class: "inside", x: x(-tolerance), y: margin.top, width: x(tolerance) - x(-tolerance), height: floor - margin.top }));
    const [hadFocus, wasNear] = [bins.contains(document.activeElement), near];
    const there = filled();
    inStep(bins, there, newBin, (bin, { count, from, to, carrier }) => {
      const outside = from < -tolerance - 1e-9 || to > tolerance + 1e-9;
      const [x0, x1] = [x(from), x(to)];
      const top = Math.min(y(count / ((to - from) * Math.max(1, now.placed))), floor - 1);
      const label = `${count} from ${from.toFixed(2)} to ${to.toFixed(2)} ${unit}${outside ? ", out of tolerance" : ""}: story of carrier ${carrier}`;
      const [title, reach, column, cross] = bin.children;
      setAttributes(bin, { class: `bin${outside ? " outside" : ""}`, "aria-label": label, "data-carrier": carrier });
      setText(title, label);
      setAttributes(reach, { x: x0, y: margin.top, width: x1 - x0, height: floor - margin.top });
      setAttributes(column, { x: x0 + 0.5, y: top, width: Math.max(0.5, x1 - x0 - 1), height: floor - top });
      setAttribute(cross, "d", outside ? crossAt((x0 + x1) / 2, top - 0.4 * rem, 0.2 * rem) : null);
    });
    if (there.length) goTo(wasNear === null ? 0 : nearest(there, wasNear));
    if (hadFocus) bins.children[focused]?.focus({ preventScroll: true });
    near = wasNear;
    if (a) parts.push(drawn("path", { class: "outline-a", d: outline(a, density(a), x, y, floor) }));
    if (forms && forms.sd > 0) {
      const points = Array.from({ length: 101 }, (_, i) => left + ((right - left) * i) / 100);
      parts.push(drawn("path", { class: "curve", d: points.map((p, i) => `${i ? "L" : "M"}${x(p).toFixed(1)} ${Math.max(margin.top, y(normal(p, forms, 1))).toFixed(1)}`).join("") }));
    }
    for (const side of [-1, 1]) {
      parts.push(drawn("line", { class: "limit", x1: x(side * tolerance), x2: x(side * tolerance), y1: margin.top - 0.2 * rem, y2: floor }));
      parts.push(drawn("text", { class: "t strong", x: x(side * tolerance), y: 1.05 * rem, "text-anchor": "middle", text: `${side < 0 ? "−" : "+"}${now.tolerance_text}` }));
    }
    parts.push(drawn("line", { class: "axis", x1: margin.left, x2: width - margin.right, y1: floor, y2: floor }));
    for (const { value, text } of ticks(left, right, Math.max(3, width / (4 * rem)))) {
      const at = x(value);
      if (at < 1.2 * rem || at > width - 1.2 * rem) continue;
      parts.push(drawn("line", { class: "axis", x1: at, x2: at, y1: floor, y2: floor + 0.25 * rem }));
      parts.push(drawn("text", { class: "t", x: at, y: floor + 1.15 * rem, "text-anchor": "middle", text }));
    }
    setAttribute(svg, "viewBox", `0 0 ${width} ${height}`);
    before.replaceChildren(...parts);
  };

  return {
    ...card,
    /** @param now, a  a run's figures for this feeder (a: null); @param forms  mean and sd in closed form; @param notCounted  what these leave out */
    show({ now, a, forms, notCounted, carriers, letters }) {
      const h = now.histogram;
      const scale = h.per_mm;
      shown = { now: h, a: a?.histogram ?? null, forms: forms && { mean: forms.mean_mm * scale, sd: forms.sd_mm * scale } };
      card.of(`${h.unit}, ${carriersWords(carriers)}`);
      const said = (feeder) => feeder.rows.find(([name]) => name === "Placement error")?.[2].split("\n").slice(0, 2).join(", ") ?? "";
      const both = a ? `${letters[0]}: ${said(a)}. ${letters[1]}: ${said(now)}` : said(now);
      setText(words, [both, ...(forms ? notCounted : [])].join(". ") + (a && !notCounted.length ? "." : ""));
      const outside = h.placed - countInside(h);
      setAttribute(svg, "aria-label", `Histogram of the placement error: ${h.placed} placed, ${outside} out of tolerance; mean ${h.mean?.toFixed(3)}, sd ${h.sd?.toFixed(3)} ${h.unit}`);
      legend.replaceChildren(
        key("bar", a ? letters[1] : "simulated"),
        ...(a ? [key("dash", `${letters[0]} (outline)`)] : []),
        ...(forms ? [key("line", "closed form")] : []),
        key("cross", `out of tolerance: ${outside.toLocaleString("en")} of ${h.placed.toLocaleString("en")}`),
      );
      paint();
    },
  };
};

const key = (kind, words) => make("span", { class: "key" }, make("i", { class: `sign ${kind}`, "aria-hidden": "true", text: kind === "cross" ? "✕" : "" }), words);

const countInside = ({ edges, counts, tolerance }) =>
  counts.reduce((sum, n, i) => sum + (edges[i] >= -tolerance - 1e-9 && edges[i + 1] <= tolerance + 1e-9 ? n : 0), 0);

const newBin = () =>
  drawn("g", { role: "button" }, drawn("title"), drawn("rect", { class: "reach" }), drawn("rect", { class: "column" }), drawn("path", { class: "cross" }));

/** The index of the bin whose middle is nearest to an error. */
const nearest = (there, error) => there.reduce((best, { middle }, i) => (Math.abs(middle - error) < Math.abs(there[best].middle - error) ? i : best), 0);

const crossAt = (x, y, r) => `M${x - r} ${y - r}L${x + r} ${y + r}M${x - r} ${y + r}L${x + r} ${y - r}`;

const outline = ({ edges }, dense, x, y, floor) => {
  const steps = dense.map((d, i) => `L${x(edges[i]).toFixed(1)} ${y(d).toFixed(1)}L${x(edges[i + 1]).toFixed(1)} ${y(d).toFixed(1)}`);
  return `M${x(edges[0]).toFixed(1)} ${floor}${steps.join("")}L${x(edges.at(-1)).toFixed(1)} ${floor}`;
};
