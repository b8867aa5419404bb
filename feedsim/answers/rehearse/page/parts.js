// What the page is made of: setups, jumps, clock, view, canvases and tables.

const read = (id) => JSON.parse(document.getElementById(id).textContent);
const one = (id) => document.getElementById(id);

const plainScenes = read("scenes");
const words = read("words");
const inUnits = { ...writers(words.units), units: words.units };
const single = plainScenes.length === 1;
const setups = plainScenes.map((plain) => makeSetup(plain, single ? 0 : plain.zero_s));
for (const setup of setups) {
  setup.totals = setup.feeders.map((feeder, place) => feederTotals(setup, feeder, place));
  setup.complete = completions(setup);
  for (const feeder of setup.feeders) feeder.markRows = mostWaiting(setup, feeder);
  if (setup.feeders.length > 1) setup.feeders.forEach((feeder) => (feeder.title = feeder.name));
}

const events = allEvents(setups, words.events);
const byCarrier = grouped(events, (event) => event.carrier);
events.ofCarrier = (carrier) => byCarrier.get(carrier) ?? [];
const lists = {
  miss: allHappenings(setups, "miss"),
  outside: allHappenings(setups, "outside"),
  hazard: allHappenings(setups, "hazard"),
  stop: allHappenings(setups, "stop"),
  difference: allDifferences(setups),
};

const page = { dirty: true, feeder: 0, chosen: null, ink: readInk(), drawn: [], errors: [], said: { at: NaN, chosen: null }, skips: false, panelAt: 0 };
const redraw = () => (page.dirty = true);
const clock = makeClock(
  {
    from: Math.min(...setups.map((s) => s.from_s - s.clockZero)),
    to: Math.max(...setups.map((s) => s.to_s - s.clockZero)),
    begin: setups[0].begin_s - setups[0].clockZero,
    goesOn: (at) => (page.skips ? pastStanding(setups, at) : at),
  },
  redraw,
);
const view = makeView(setups);
const period = setups[0].carrier_pitch_mm / setups[0].line_speed_mm_s;
const tape = { span: 3.2 * period, least: 0.05 * period, most: 40 * period };
const measure = makeMeasure();

// resizing blanks a canvas: redraw at once, so that it does not flicker
const drawAgain = () => page.drawn.length && drawAll();
const pictures = setups.map((_, i) => sharpCanvas(one(`picture-${i}`), drawAgain));
const strips = setups.map((_, i) => sharpCanvas(one(`strip-${i}`), drawAgain));
const error = sharpCanvas(one("error"), drawAgain);
const timeline = sharpCanvas(one("timeline"), drawAgain);

const heads = single ? [""] : ["A", "B"];
const tables = {
  now: makeTable(one("now"), heads),
  story: makeTable(one("story"), heads),
  events: makeEventTable(one("events"), setups, { onPick: (event) => goTo(event) }),
  totals: makeTable(one("totals"), heads),
};
