// Running totals since the start of the run: the carriers' outcomes up to an instant.

/** Prepare the totals of one feeder: rising instants with running sums. */
const feederTotals = (setup, feeder, place) => {
  const { rows, before } = feeder;
  const placed = sortedRows(rows.outcome, (row) =>
    rows.outcome[row] === PLACED ? rows.placement_time_s[row] : NaN,
  );
  const sums = [before.error_sum_mm];
  const squares = [before.error_square_sum_mm2];
  for (const [, row] of placed) {
    const error = rows.placement_error_mm[row];
    sums.push(sums.at(-1) + error);
    squares.push(squares.at(-1) + error * error);
  }
  const causes = [...new Set(rows.outcome)].filter((outcome) => outcome !== PLACED);
  const misses = causes.map((outcome) => ({
    outcome,
    times: sortedRows(rows.outcome, (row) =>
      rows.outcome[row] === outcome ? rows.missed_s[row] : NaN,
    ).map(([t]) => t),
  }));
  const { happenings } = setup;
  const risks = new Map();
  happenings.time_s.forEach((t, i) => {
    const kind = happenings.names[happenings.what[i]][0];
    if (kind === "hazard" && happenings.feeder[i] === place && !risks.has(happenings.carrier[i]))
      risks.set(happenings.carrier[i], t);
  });
  const cycles = sortedRows(rows.insert, (row) => rows.engage_time_s[row]).map(([t]) => t);
  return { before, placed: placed.map(([t]) => t), sums, squares, misses, risks: [...risks.values()], cycles };
};

const sortedRows = (rows, timeOf) => {
  const found = [];
  for (let row = 0; row < rows.length; row++) {
    const t = timeOf(row);
    if (!Number.isNaN(t)) found.push([t, row]);
  }
  return found.sort((a, b) => a[0] - b[0]);
};

/** The totals of one feeder at time t of the run. */
const totalsAt = (totals, t) => {
  const { before } = totals;
  const here = countUpTo(totals.placed, t);
  const placed = before.outcomes[PLACED] + here;
  const missed = before.outcomes.map((count, outcome) => (outcome === PLACED ? 0 : count));
  for (const { outcome, times } of totals.misses) missed[outcome] += countUpTo(times, t);
  const mean = placed ? totals.sums[here] / placed : NaN;
  const spread = placed > 1 ? Math.max(0, totals.squares[here] - placed * mean * mean) / (placed - 1) : NaN;
  return {
    placed,
    missed,
    missedInAll: missed.reduce((sum, count) => sum + count, 0),
    cycles: before.cycles + countUpTo(totals.cycles, t),
    atRisk: before.at_risk + countUpTo(totals.risks, t),
    mean_mm: mean,
    sd_mm: Math.sqrt(spread),
  };
};

/** Rising instants at which products were complete: placed at every feeder that they need. */
const completions = (setup) => {
  const times = [];
  const needed = setup.needs.map((place) => setup.feeders[place]);
  for (let row = 0; row < setup.carriers.leading_edge_mm.length; row++) {
    const all = needed.every(({ rows }) => rows.outcome[row] === PLACED);
    if (all) times.push(Math.max(...needed.map(({ rows }) => rows.placement_time_s[row])));
  }
  return Float64Array.from(times).sort();
};
