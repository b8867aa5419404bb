// Belt, feed and encoder: the engine's own closed forms, evaluated at any instant.
// Lengths in mm, times in s of the run, speeds in mm/s.

/** Travel m(t) of constant acceleration, piece by piece. */
const beltMotion = ({ start_s, travel_mm, speed_mm_s, acceleration_mm_s2 }) => ({
  position(t) {
    const i = lastUpTo(start_s, t);
    const s = t - start_s[i];
    return travel_mm[i] + (speed_mm_s[i] + 0.5 * acceleration_mm_s2[i] * s) * s;
  },
  speed(t) {
    const i = lastUpTo(start_s, t);
    return Math.max(0, speed_mm_s[i] + acceleration_mm_s2[i] * (t - start_s[i]));
  },
});

/** Travel f(t) = f0 + f1·s + … + f4·s⁴ − decay·exp(−K·s), and the engagement of the clutch. */
const feedMotion = ({ gain_per_s, rises, pieces }, belt, scaleError) => ({
  position(t) {
    const i = lastUpTo(pieces.start_s, t);
    const s = t - pieces.start_s[i];
    const at = 4 * pieces.shape[i];
    const rise = (rises[at] + (rises[at + 1] + (rises[at + 2] + rises[at + 3] * s) * s) * s) * s;
    const f = pieces.f0_mm[i] + rise;
    const decay = pieces.decay_mm[i];
    return decay ? f - decay * Math.exp(-gain_per_s * s) : f;
  },
  speed(t) {
    const i = lastUpTo(pieces.start_s, t);
    const s = t - pieces.start_s[i];
    const at = 4 * pieces.shape[i];
    const bend = (2 * rises[at + 1] + (3 * rises[at + 2] + 4 * rises[at + 3] * s) * s) * s;
    const decay = pieces.decay_mm[i];
    const v = rises[at] + bend;
    return decay ? v + gain_per_s * decay * Math.exp(-gain_per_s * s) : v;
  },
  engagement(t) {
    const i = lastUpTo(pieces.start_s, t);
    const start = pieces.start_s[i];
    if (!pieces.slope[i]) return pieces.engagement[i];
    const ran = pieces.in_travel[i]
      ? (belt.position(t) - belt.position(start)) / (1 + scaleError)
      : t - start;
    return Math.min(1, Math.max(0, pieces.engagement[i] + pieces.slope[i] * ran));
  },
  /** −1 on its way to open, 1 on its way to closed, 0 at rest in either. */
  turning(t) {
    return Math.sign(pieces.slope[lastUpTo(pieces.start_s, t)]);
  },
});

/** Counts of the encoder, n = ⌊m/((1+ε)·q) + φ⌋; counted travel (mm) on a virtual master. */
const encoderReading = ({ count_mm, scale_error, phase, same_travel_mm }, travel_mm) => {
  if (!count_mm) return travel_mm / (1 + scale_error);
  return Math.floor(travel_mm * (1 / ((1 + scale_error) * count_mm)) + phase + same_travel_mm / count_mm);
};
