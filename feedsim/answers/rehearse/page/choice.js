// The carrier that the page tells about, and the jumps to an event, a miss, a hazard or a stop.

const carrierNow = () => page.chosen ?? nearestCarrier(setups[0], placeIn(setups[0]), runTime(setups[0], clock.at));
const placeIn = (setup) => Math.min(page.feeder, setup.feeders.length - 1);

const choose = (carrier) => {
  page.chosen = carrier;
  redraw();
};

/** Drop the chosen carrier once it has left every picture downstream. */
const letGo = () => {
  if (page.chosen === null) return;
  const gone = setups.every((setup) => {
    const row = rowOf(setup, page.chosen);
    if (row < 0) return true;
    const x = setup.motion.position(runTime(setup, clock.at)) - setup.carriers.leading_edge_mm[row];
    return x - setup.carrier_length_mm > setup.right_mm;
  });
  if (gone) page.chosen = view.follows ? nextToFollow() : null;
};

const nextToFollow = () => {
  const setup = setups[0];
  const edges = setup.carriers.leading_edge_mm;
  const row = lastUpTo(edges, setup.motion.position(runTime(setup, clock.at)));
  return setup.carriers.first + row;
};

const goTo = (item) => {
  clock.pause();
  clock.set(item.at);
  if (item.carrier >= 0) page.chosen = item.carrier;
  if (item.feeder >= 0) setFeeder(item.feeder);
  say(item.words ? spoken(item) : happeningWords(item, words, inUnits));
};

const spoken = (event) => {
  const own = neighbours(event.at).map((e) => (e.carrier >= 0 ? `${e.words}, carrier ${e.carrier}` : e.words));
  return [...new Set(own)].join("; ");
};

const neighbours = (at) => events.filter((e) => Math.abs(e.at - at) <= SAME_INSTANT);

const jump = (kind, way) => {
  const list = kind === "event" ? events : lists[kind];
  const item = neighbour(list, clock.at, way);
  if (item) goTo(item);
  else say(list.length ? `no ${kind} ${way > 0 ? "after" : "before"} this` : words.none[kind]);
};

const step = (seconds) => {
  say("");
  clock.pause();
  clock.set(clock.at + seconds);
};

const pickCarrier = (setup, x) => {
  const line = lineAt(setup, runTime(setup, clock.at));
  const found = line.carriers.find((c) => c.x_mm >= x && c.x_mm - setup.carrier_length_mm <= x);
  if (found) choose(found.number);
};

const nextCarrier = (way) => {
  const { first, leading_edge_mm } = setups[0].carriers;
  choose(Math.min(first + leading_edge_mm.length - 1, Math.max(first, carrierNow() + way)));
};
