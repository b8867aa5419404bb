// Values as written in the file, and steps from one to the next.

const placesOf = (step) => {
  const [mantissa, exponent = "0"] = String(step).split("e");
  return Math.max(0, (mantissa.split(".")[1] ?? "").length - Number(exponent));
};

/** A number on the grid of a step, without binary rounding noise. */
export const onGrid = (number, step) => {
  const places = placesOf(step);
  return String(Number((Math.round(number / step) * step).toFixed(Math.min(12, places))));
};

export const withUnit = (number, unit) => (unit ? `${number} ${unit.trim()}` : number);

const NUMBER = /^\s*([+-]?(?:\d[\d_]*\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)$/;

/** Number and unit of a value as typed; null where it is not a number ("auto", a word). */
export const parts = (value) => {
  const found = NUMBER.exec(value);
  return found && { number: Number(found[1].replaceAll("_", "")), unit: found[2].trim() };
};

/** The value some steps on, in its own unit; null where there is no number to step from. */
export const stepped = (value, { unit, step, from }, count) => {
  const found = parts(value);
  const own = found?.unit ?? "";
  if (found && own !== (unit ?? "").trim()) return null;
  const start = found?.number ?? from;
  if (start === null || start === undefined) return null;
  const number = Number((start + count * step).toPrecision(12));
  const places = Math.max(placesOf(step), placesOf(start) > 6 ? 0 : placesOf(start));
  return withUnit(String(Number(number.toFixed(Math.min(12, places)))), unit);
};

/** A change as the commands take it: `path=value`, a text quoted. */
export const asChange = (path, value, kind) => `${path}=${kind === "text" ? JSON.stringify(value) : value}`;
