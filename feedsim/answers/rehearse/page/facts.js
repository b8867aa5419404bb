// The story of one carrier at one feeder, as far as it is known at an instant.

/** Why it ended as it did, in sentences; empty while undecided at time t of the run. */
const carrierReasons = (setup, place, carrier, t) => {
  const row = rowOf(setup, carrier);
  if (row < 0 || !(decidedAt(setup.feeders[place], row) <= t)) return [];
  return setup.feeders[place].reasons[carrier] ?? [notTold(carrier)];
};

/** With very many carriers, the page holds the stories of some only. */
const notTold = (carrier) =>
  `With this many carriers, only those missed or out of tolerance have their story here. For this one: feedsim explain --carrier ${carrier}.`;

/** Rows of the story: [label, text, is it bad], as far as known at time t of the run. */
const carrierStory = (setup, place, row, t, { words, inUnits }) => {
  const feeder = setup.feeders[place];
  const { rows } = feeder;
  const facts = [["outcome", ...outcomeWords(feeder, row, t, words)]];
  if (rows.placement_time_s[row] <= t) {
    const error = rows.placement_error_mm[row];
    const off = rows.outside[row] === 1;
    facts.push(["placement error", inUnits.length(error, { sign: true }), off]);
    if (off) facts.push([`tolerance ± ${inUnits.short(setup.tolerance_mm)}`, `${OUTSIDE} exceeded`, true]);
  }
  if (rows.engage_time_s[row] <= t) {
    facts.push(["insert", `${rows.insert[row]}${rows.double[row] ? ", a double" : ""}`, rows.double[row] === 1]);
    facts.push(["left stage at", inUnits.length(rows.stage_position_mm[row]), false]);
    if (rows.late_engage[row]) facts.push(["clutch closed", "late, after its point", true]);
  }
  if (rows.opening_time_s[row] <= t) {
    facts.push(["tail at opening", inUnits.length(rows.tail_mm[row]), false]);
    if (rows.late_opening[row]) facts.push(["clutch opened", "late, after its point", true]);
  }
  return [...facts, ...marginRows(rows, row, t, { words, inUnits })];
};

const outcomeWords = (feeder, row, t, words) => {
  if (decidedAt(feeder, row) <= t) {
    const outcome = feeder.rows.outcome[row];
    return outcome === PLACED ? ["✓ placed", false] : [`✕ missed: ${words.outcomes[outcome]}`, true];
  }
  return [feeder.rows.engage_time_s[row] <= t ? "insert on its way" : "not decided yet", false];
};

/** When the margin of a hazard is known: as the clutch closes, as the insert lands, as the clutch opens. */
const KNOWN_AT = {
  nose_strike: "engage_time_s",
  tail_held: "opening_time_s",
  speed_mismatch: "placement_time_s",
  off_carrier: "placement_time_s",
  stray_insert: "opening_time_s",
  double: "engage_time_s",
  drive_overload: "opening_time_s",
};

const marginRows = (rows, row, t, { words, inUnits }) => {
  const found = [];
  for (const [name, label] of Object.entries(words.hazards)) {
    if (!(rows[KNOWN_AT[name]][row] <= t)) continue;
    const there = rows.hazards[name][row] === 1;
    const margin = rows.margins[name][row];
    const unit = words.margins[name];
    if (!there && !(unit && Number.isFinite(margin))) continue;
    const text = unit && Number.isFinite(margin) ? inUnits.margin(margin, unit) : "seen";
    found.push([`  ${label}`, there ? `▲ ${text}` : text, there]);
  }
  return found.length ? [["margins", "", false], ...found] : [];
};

/** The carrier nearest to the placement of its insert at a feeder. */
const nearestCarrier = (setup, place, t) => {
  const { eye_to_placement_mm: way, target_offset_mm: target } = setup.feeders[place].geometry;
  const edges = setup.carriers.leading_edge_mm;
  const wanted = setup.motion.position(t) - way - target;
  const row = lastUpTo(edges, wanted);
  const next = Math.min(edges.length - 1, row + 1);
  const nearest = Math.abs(edges[next] - wanted) < Math.abs(edges[row] - wanted) ? next : row;
  return setup.carriers.first + nearest;
};
