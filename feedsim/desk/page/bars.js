// Bars and whiskers along a common scale; what they show stands beside them as text.

import { make } from "./dom.js";

const percent = (share) => `${(100 * Math.min(1, Math.max(0, share))).toFixed(3)}%`;

/** A mark on a track, from one share of its length to another. */
export const span = (from, to, kind) => {
  const element = make("i", { class: `mark ${kind}` });
  element.style.left = percent(Math.min(from, to));
  element.style.width = `calc(${percent(Math.abs(Math.min(1, Math.max(0, to)) - Math.min(1, Math.max(0, from))))} )`;
  return element;
};

export const point = (at, kind) => {
  const element = make("i", { class: `mark point ${kind}` });
  element.style.left = percent(at);
  return element;
};

export const track = (...marks) => make("div", { class: "track", "aria-hidden": "true" }, ...marks);

/** A scale from a value to its share of the length. */
export const linear = (from, to) => (value) => (to === from ? 0 : (value - from) / (to - from));

export const logarithmic = (from, to) => (value) =>
  value <= from ? 0 : Math.log(value / from) / Math.log(to / from);
