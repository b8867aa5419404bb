// One setup: the plain data of a scene, its columns unpacked, its motion at hand.

const larger = (a, b) => (a > b ? a : b);

const makeSetup = (plain, clockZero) => {
  const setup = withColumns(plain);
  setup.motion = beltMotion(setup.belt);
  setup.clockZero = clockZero;
  setup.fastest_mm_s = setup.belt.speed_mm_s.reduce(larger, setup.line_speed_mm_s);
  setup.gone = setup.carriers.first;
  setup.firstPlacement = Math.min(...setup.feeders.map((f) => f.geometry.eye_to_placement_mm));
  for (const feeder of setup.feeders) {
    feeder.motion = feedMotion(feeder.feed, setup.motion, setup.encoder.scale_error);
    feeder.first = setup.carriers.first;
    feeder.longest_mm = feeder.inserts.length_mm.reduce(larger, 0);
  }
  return setup;
};

/** Time of the run at an instant of the page's clock, held where the stretch ends. */
const runTime = (setup, clock) =>
  Math.min(setup.to_s, Math.max(setup.from_s, clock + setup.clockZero));

/** Whether the stretch of this setup has not begun (−1) or is over (1) at an instant. */
const beyondStretch = (setup, clock) => {
  const t = clock + setup.clockZero;
  if (t < setup.from_s - 1e-9) return -1;
  return t > setup.to_s + 1e-9 ? 1 : 0;
};

/** Index of a carrier in the columns, −1 where it is never in the picture. */
const rowOf = (setup, carrier) => {
  const row = carrier - setup.carriers.first;
  return row >= 0 && row < setup.carriers.leading_edge_mm.length ? row : -1;
};
