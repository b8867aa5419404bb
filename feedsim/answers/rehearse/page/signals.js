// The states of the eyes and the program at an instant and over a window of time.

/** Number of the card that blocks an eye at time t, −1 where it is clear. */
const blockedBy = ({ from_s, to_s, number }, t) => {
  const i = countUpTo(from_s, t) - 1;
  return i >= 0 && t < to_s[i] ? number[i] : -1;
};

/** Indices of the spans of a signal that overlap a window. */
const stretchesIn = ({ from_s, to_s }, start, end) => {
  let first = countUpTo(from_s, start);
  while (first > 0 && to_s[first - 1] > start) first--;
  return [first, countUpTo(from_s, end)];
};

/** When the program was done with a carrier at a feeder: it closed the clutch, or gave it up. */
const actedOn = (feeder, row) =>
  Number.isNaN(feeder.rows.engage_time_s[row]) ? feeder.rows.missed_s[row] : feeder.rows.engage_time_s[row];

/** When a carrier's outcome at a feeder was decided (s); NaN where it is not. */
const decidedAt = (feeder, row) =>
  feeder.rows.outcome[row] === PLACED ? feeder.rows.placement_time_s[row] : feeder.rows.missed_s[row];

/** Numbers of the carriers whose marks wait at a feeder. */
const marksWaiting = (setup, feeder, t) => {
  const passed = countUpTo(setup.carriers.eye_time_s, t);
  const waiting = [];
  for (let row = Math.max(0, passed - MOST_WAITING); row < passed; row++) {
    if (setup.carriers.known_s[row] <= t && actedOn(feeder, row) > t)
      waiting.push(setup.carriers.first + row);
  }
  return waiting;
};

const MOST_WAITING = 64;

/** The most marks that wait at a feeder at once. */
const mostWaiting = (setup, feeder) => {
  const { known_s } = setup.carriers;
  let most = 1;
  for (let row = 0; row < known_s.length; row++) {
    let waiting = 1;
    for (let other = Math.max(0, row - MOST_WAITING); other < row; other++)
      if (actedOn(feeder, other) > known_s[row]) waiting++;
    most = Math.max(most, waiting);
  }
  return most;
};
const PLACED = 0;

const clutchWords = ({ engagement, turning }) => {
  if (engagement <= 0 && turning <= 0) return "open";
  if (engagement >= 1 && turning >= 0) return "closed";
  return turning < 0 ? "opening" : "closing";
};
