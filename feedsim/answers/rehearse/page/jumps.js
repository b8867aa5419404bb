// Where the page's clock can jump to: events, misses, hazards, stops, differences.

const SAME_INSTANT = 1e-9;

/** Every event of all setups, in order: { at, setup, words, carrier, insert, feeder }. */
const allEvents = (setups, words) => {
  const found = [];
  setups.forEach((setup, s) => {
    const { events } = setup;
    for (let i = 0; i < events.time_s.length; i++) {
      const [part, event] = events.names[events.what[i]];
      found.push({
        at: events.time_s[i] - setup.clockZero,
        setup: s,
        part,
        event,
        words: words[`${part.replace(/^feeder\.\d+\./, "feeder.")} ${event}`] ?? `${part}: ${event}`.replaceAll("_", " "),
        carrier: events.carrier[i],
        insert: events.insert[i],
        feeder: part.startsWith("feeder.") ? Number(part.split(".")[1]) : -1,
      });
    }
  });
  return found.sort((a, b) => a.at - b.at);
};

/** Misses, hazards or stops of all setups, in order: { at, setup, name, carrier, feeder, margin }. */
const allHappenings = (setups, wanted) => {
  const found = [];
  setups.forEach((setup, s) => {
    const { happenings } = setup;
    for (let i = 0; i < happenings.time_s.length; i++) {
      const [kind, name] = happenings.names[happenings.what[i]];
      if (kind !== wanted) continue;
      found.push({
        at: happenings.time_s[i] - setup.clockZero,
        setup: s,
        kind,
        name,
        carrier: happenings.carrier[i],
        feeder: happenings.feeder[i],
        margin: happenings.margin[i],
      });
    }
  });
  return found.sort((a, b) => a.at - b.at);
};

/** Carriers that turn out differently in the second setup. */
const allDifferences = ([one, other]) => {
  if (!other) return [];
  const found = [];
  const feeders = Math.min(one.feeders.length, other.feeders.length);
  for (let row = 0; row < one.carriers.leading_edge_mm.length; row++) {
    const carrier = one.carriers.first + row;
    const there = rowOf(other, carrier);
    for (let f = 0; there >= 0 && f < feeders; f++) {
      const [a, b] = [one.feeders[f], other.feeders[f]];
      if (resultOf(a, row) === resultOf(b, there)) continue;
      const at = Math.min(decidedAt(a, row) - one.clockZero, decidedAt(b, there) - other.clockZero);
      found.push({ at, setup: 0, kind: "difference", name: "", carrier, feeder: f, margin: NaN });
    }
  }
  return found.sort((a, b) => a.at - b.at);
};

/** What became of a carrier at a feeder: its outcome and the hazards of its cycle, as one text. */
const resultOf = ({ rows }, row) => {
  const hazards = Object.entries(rows.hazards).filter(([, there]) => there[row]);
  return [rows.outcome[row], ...hazards.map(([name]) => name)].join();
};

/** The next (1) or last (−1) of a list of instants after or before one; undefined for none. */
const neighbour = (list, at, way) => {
  if (way > 0) return list.find((item) => item.at > at + SAME_INSTANT);
  return list.findLast((item) => item.at < at - SAME_INSTANT);
};
