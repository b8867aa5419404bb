// Draws everything at the instant of the clock, and writes the numbers beside it.

/** Show a message about this instant and carrier; it goes when either changes. */
const say = (text) => {
  page.said = { at: clock.at, chosen: page.chosen };
  setText(one("said"), text);
};

const forget = () => {
  if (clock.at !== page.said.at || page.chosen !== page.said.chosen) say("");
};

const drawAll = () => {
  letGo();
  forget();
  const chosen = carrierNow();
  if (view.follows) centreOn(chosen);
  const look = { clock: clock.at, view, feeder: page.feeder, chosen, words, inUnits, ink: page.ink };
  const last = setups.length - 1;
  page.drawn = setups.map((setup, i) => drawPicture(pictures[i], setup, { ...look, withDistances: i === last }));
  setups.forEach((setup, i) =>
    drawStrip(strips[i], setup, {
      clock: clock.at,
      span: tape.span,
      feeder: page.feeder,
      letter: single ? "" : "AB"[i],
      ink: page.ink,
      inUnits,
      withAxis: i === last,
    }),
  );
  const times = page.drawn.map(({ t }) => t);
  page.errors = drawError(error, setups, { carrier: chosen, times, placeOf: placeIn, inUnits, ink: page.ink });
  drawTimeline(timeline, { setups, lists, from: clock.from, to: clock.to, at: clock.at, ink: page.ink });
};

const centreOn = (carrier) => {
  const setup = setups.find((s) => rowOf(s, carrier) >= 0);
  if (!setup) return;
  const x = carrierPosition(setup, rowOf(setup, carrier), setup.motion.position(runTime(setup, clock.at)));
  view.centre(x - setup.carrier_length_mm / 2);
};

const showNumbers = () => {
  const look = { words, inUnits };
  const chosen = carrierNow();
  const beside = (rowsOf) => sideBySide(setups.map((setup, i) => rowsOf(setup, page.drawn[i], i)));
  tables.now(beside((setup, line) => nowRows(setup, placeIn(setup), line, { inUnits })));
  tables.totals(beside((setup, line) => totalRows(setup, placeIn(setup), line, look)));
  tables.story(
    beside((setup, line) => {
      const row = rowOf(setup, chosen);
      return row < 0 ? [] : carrierStory(setup, placeIn(setup), row, line.t, look);
    }),
  );
  showReasons(chosen);
  tables.events(chosen, page.feeder, events, clock.at);
  const where = words.feeders.length > 1 ? ` at ${words.feeders[page.feeder]}` : "";
  setText(one("story-head"), `Carrier ${chosen}${where}`);
  one("nearest").setAttribute("aria-pressed", String(page.chosen === null));
  showClock();
};

/** The reasons of each setup, once where both have the same. */
const showReasons = (chosen) => {
  const own = setups.map((setup, i) =>
    carrierReasons(setup, placeIn(setup), chosen, page.drawn[i].t).join(" "),
  );
  const same = own.every((text) => text === own[0]);
  const texts = same ? own.slice(0, 1) : own.map((text, i) => text && `${"AB"[i]}: ${text}`);
  texts.forEach((text, i) => setText(one("reasons").children[i], text));
  for (let i = texts.length; i < setups.length; i++) setText(one("reasons").children[i], "");
};

const showClock = () => {
  const slider = one("time");
  slider.value = clock.at;
  const t = single ? `${fixed(clock.at, 3)} s` : `${fixed(clock.at, 3, { sign: true })} s`;
  slider.setAttribute("aria-valuetext", `${t}, carrier ${carrierNow()}`);
  setText(one("clock"), t);
  one("pace").value = clock.pace;
  const pace = speedWords(SPEEDS[clock.pace]);
  one("pace").setAttribute("aria-valuetext", pace);
  setText(one("pace-words"), pace);
  const play = one("play");
  setText(play.firstElementChild, clock.playing ? "❚❚" : "▶");
  setText(play.lastElementChild, clock.playing ? "Pause" : "Play");
  one("follow").setAttribute("aria-pressed", String(view.follows));
  one("whole").setAttribute("aria-pressed", String(view.isWhole()));
  error.canvas.setAttribute("aria-label", errorWords(page.errors, carrierNow(), inUnits));
  pictures.forEach(({ canvas }, i) => canvas.setAttribute("aria-label", pictureWords(setups[i], page.drawn[i])));
};

/** What a picture shows, for screen readers. */
const pictureWords = (setup, line) => {
  const place = placeIn(setup);
  const eye = blockedBy(setup.carrier_eye, line.t);
  const stop = stopAt(setup, line.t);
  return [
    `The line from the side at ${inUnits.seconds(line.t)}`,
    ...(stop ? [standingWords(stop, line.t)] : []),
    `carrier eye ${eye < 0 ? "clear" : `blocked by carrier ${eye}`}`,
    `${setup.feeders[place].name}: clutch ${clutchWords(line.feeders[place])}`,
    ...line.carriers.filter((c) => c.x_mm > 0).map((c) => `carrier ${c.number} at ${inUnits.length(c.x_mm, { places: 0 })}`),
  ].join("; ");
};

/** Start with the carrier that the page is about, at the feeder where it was missed or at risk. */
const beginAt = ({ focus, because }) => {
  if (focus === null) return;
  page.chosen = focus;
  const found = lists[because]?.find((item) => item.carrier === focus);
  if (!found) return;
  clock.set(found.at);
  setFeeder(found.feeder);
  say(happeningWords(found, words, inUnits));
};

/** An address that ends in #t=36.34 begins at that time of the (first) run. */
const beginAtFragment = () => {
  const time = Number(/^#t=([\d.]+)$/.exec(location.hash)?.[1] ?? NaN);
  if (Number.isNaN(time)) return;
  say("");
  clock.set(time - setups[0].clockZero);
};

const PANEL_MS = 80;
let before = performance.now();

const frame = (now) => {
  if (clock.playing) {
    clock.tick((now - before) / 1000);
    page.dirty = true;
  }
  before = now;
  if (page.dirty) {
    page.dirty = false;
    drawAll();
    if (!clock.playing || now - page.panelAt >= PANEL_MS) {
      page.panelAt = now;
      showNumbers();
    }
    measure.drawn(now, clock.playing);
  }
  requestAnimationFrame(frame);
};

/** Draw at once, without waiting for the next frame. */
const redrawNow = () => {
  drawAll();
  showNumbers();
};
