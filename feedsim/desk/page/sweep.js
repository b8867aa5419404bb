// A sweep of one knob, or a map of two.

import { make, setAttribute } from "./dom.js";
import { makeLongWork } from "./long_work.js";
import { spoken } from "./knob.js";
import { onGrid } from "./steps.js";

const POINTS = 6;

const numeric = (knob) => knob.slider && !knob.off;

/** Values to sweep a knob over: some round ones around its value. */
const valuesOf = ({ slider, unit, number, auto }) => {
  const { low, high, step, big } = slider;
  const middle = number ?? (Number.parseFloat(auto?.text) || (low + high) / 2);
  const reach = Math.max(step, Math.abs(middle) * 0.5 || (high - low) / 2);
  const grid = reach >= POINTS * big ? big : step;
  const from = Math.max(low + (low === 0 ? grid : 0), middle - reach);
  const to = Math.min(high, middle + reach);
  const wide = Math.max(grid, Math.round((to - from) / POINTS / grid) * grid);
  const start = Math.ceil(from / grid - 1e-9) * grid;
  return `${onGrid(start, grid)}:${onGrid(start + POINTS * wide, grid)}:${onGrid(wide, grid)} ${(unit ?? "").trim()}`.trim();
};

/** Values without a unit are in the knob's. */
const withItsUnit = (values, knob) => (knob?.unit && /^[\d.,:+\-\s]+$/.test(values) ? `${values} ${knob.unit.trim()}` : values);

export const makeSweep = ({ planner, turns, knobs }) => {
  const axis = (number, words) => {
    const select = make("select", { id: `sweep-knob-${number}`, "aria-label": `${words} knob` });
    const values = make("input", { type: "text", id: `sweep-values-${number}`, "aria-label": `${words} knob's values: from:to:step, or a list`, autocomplete: "off", spellcheck: "false" });
    select.addEventListener("change", () => {
      const knob = knobs.made.get(select.value)?.knob;
      values.value = knob ? valuesOf(knob) : "";
      values.hidden = !knob;
    });
    return { select, values };
  };
  const one = axis(1, "First");
  const two = axis(2, "Second");
  two.values.hidden = true;
  const carriers = make("input", { type: "text", id: "sweep-carriers", value: "5000", inputmode: "numeric", "aria-label": "Carriers at each point" });
  const work = makeLongWork({
    id: "sweep",
    title: "Sweep one knob, or two",
    about: "Simulates the line at each value, the other knobs unchanged. Two knobs make a map.",
    controls: [
      make("label", { class: "work-label" }, "knob", one.select), one.values,
      make("label", { class: "work-label" }, "and", two.select), two.values,
      make("label", { class: "work-label" }, "carriers each", carriers),
    ],
    planner,
    turns,
    question: () => {
      for (const { select, values } of [one, two]) values.value = withItsUnit(values.value.trim(), knobs.made.get(select.value)?.knob);
      const axes = [one, two].filter(({ select }) => select.value).map(({ select, values }) => `${select.value}=${values.value}`);
      const many = Number(carriers.value.replaceAll(/[,_ ]/g, ""));
      if (!axes.length) return "Choose a knob first.";
      if (!Number.isInteger(many) || many < 1) return "Carriers at each point: a whole number, such as 5000.";
      return { what: "sweep", more: { axes, carriers: many } };
    },
    show: (place, answer) => {
      for (const img of place.querySelectorAll("img")) URL.revokeObjectURL(img.src);
      const pictures = Object.values(answer.figures).map((svg) =>
        make("img", { src: URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" })), alt: `Sweep over ${answer.axes.map((a) => a.key).join(" and ")}; its numbers are below` }));
      place.replaceChildren(...pictures, make("pre", { text: answer.text, tabindex: "0" }));
    },
  });
  work.element.classList.add("broad");
  return {
    ...work,
    /** Offer the knobs. */
    offer() {
      const all = [...knobs.made.values()].map((made) => made.knob).filter(numeric);
      const first = all.filter((knob) => knob.rank).sort((a, b) => a.rank - b.rank);
      const key = all.map((knob) => knob.path).join();
      if (work.element.dataset.knobs === key) return;
      setAttribute(work.element, "data-knobs", key);
      for (const { select } of [one, two]) {
        const was = select.value;
        const option = (knob) => make("option", { value: knob.path, text: `${knob.group}: ${spoken(knob.name)}` });
        select.replaceChildren(
          ...(select === two.select ? [make("option", { value: "", text: "no second knob" })] : []),
          make("optgroup", { label: "What matters most" }, ...first.map(option)),
          ...[...Map.groupBy(all.filter((knob) => !knob.rank), (knob) => knob.group)].map(([group, list]) => make("optgroup", { label: group }, ...list.map(option))),
        );
        select.value = was || (select === one.select ? (first[0]?.path ?? "") : "");
        if (!was) select.dispatchEvent(new Event("change"));
      }
    },
  };
};
