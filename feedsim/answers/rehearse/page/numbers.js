// Numbers as people read them, in the page's units.

const MINUS = "\u2212";

const fixed = (value, places, { sign = false } = {}) => {
  if (Number.isNaN(value)) return "–";
  const text = Math.abs(value).toFixed(places).replace(/\B(?=(\d{3})+(?!\d))(?<!\.\d*)/g, "\u202f");
  const zero = !/[1-9]/.test(text);
  return (value < 0 && !zero ? MINUS : sign && !zero ? "+" : "") + text;
};

/** Formatters for a set of units: { length: {label, factor, places}, speed: {…} }. */
const writers = (units) => ({
  length: (mm, look = {}) => `${fixed(mm * units.length.factor, look.places ?? units.length.places, look)} ${units.length.label}`,
  /** A length without spare digits, for labels in the picture. */
  short: (mm) => `${Number((mm * units.length.factor).toPrecision(4))} ${units.length.label}`.replace("-", MINUS),
  speed: (mm_s) => `${fixed(mm_s * units.speed.factor, 1)} ${units.speed.label}`,
  seconds: (s, places = 3) => `${fixed(s, places)} s`,
  margin: (value, unit) => {
    if (unit === "mm") return `${fixed(value * units.length.factor, units.length.places)} ${units.length.label}`;
    if (unit === "%") return `${fixed(value, 2)} %`;
    return `${fixed(value * units.acceleration.factor, 1)} ${units.acceleration.label}`;
  },
});

/** A round step of about a wanted size: 1, 2 or 5 times a power of ten. */
const roundStep = (wanted) => {
  const power = 10 ** Math.floor(Math.log10(wanted));
  const step = [1, 2, 5].find((n) => n * power >= wanted) ?? 10;
  return step * power;
};
