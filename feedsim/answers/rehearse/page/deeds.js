// The actions of buttons and keys, by name.

const setFeeder = (place) => {
  page.feeder = place;
  const radio = document.querySelector(`input[name="feeder"][value="${place}"]`);
  if (radio) radio.checked = true;
  redraw();
};

const setTheme = (theme) => {
  document.documentElement.dataset.theme = theme;
  page.ink = readInk();
  redraw();
};

const isDark = () => document.documentElement.dataset.theme === "dark";

const setSpan = (factor) => {
  tape.span = Math.min(tape.most, Math.max(tape.least, tape.span * factor));
  redraw();
};

const changeView = (change) => () => {
  change();
  redraw();
};

const follow = () => {
  view.follows = !view.follows;
  if (view.follows) {
    page.chosen = carrierNow();
    view.span = Math.min(view.span, 3.2 * setups[0].carrier_pitch_mm);
  }
  redraw();
};

const deeds = {
  play: () => {
    say("");
    if (clock.playing) clock.pause();
    else clock.play();
  },
  faster: () => clock.setPace(clock.pace + 1),
  slower: () => clock.setPace(clock.pace - 1),
  begin: () => step(clock.from - clock.at),
  end: () => step(clock.to - clock.at),
  "ms-next": () => step(0.001),
  "ms-last": () => step(-0.001),
  "carrier-next": () => nextCarrier(1),
  "carrier-last": () => nextCarrier(-1),
  nearest: () => choose(null),
  follow,
  whole: changeView(() => view.showWhole()),
  nearer: changeView(() => view.zoom(1.5, zoomPlace())),
  farther: changeView(() => view.zoom(1 / 1.5, zoomPlace())),
  "pan-left": changeView(() => view.pan(-0.2)),
  "pan-right": changeView(() => view.pan(0.2)),
  "span-shorter": () => setSpan(1 / 1.5),
  "span-longer": () => setSpan(1.5),
  theme: () => setTheme(isDark() ? "light" : "dark"),
  keys: () => {
    setText(one("measure"), measureWords());
    listSigns(one("sign-list"), page.ink);
    one("keys").showModal();
  },
};
for (const kind of ["event", "miss", "outside", "hazard", "stop", "difference"]) {
  deeds[`${kind}-next`] = () => jump(kind, 1);
  deeds[`${kind}-last`] = () => jump(kind, -1);
}

/** Zoom towards the placement point of the chosen feeder, if it is in the picture. */
const zoomPlace = () => {
  const way = setups[0].feeders[placeIn(setups[0])].geometry.eye_to_placement_mm;
  return way > view.left && way < view.left + view.span ? way : undefined;
};

const measureWords = () => {
  const rate = Number.isNaN(measure.frames_per_s) ? "" : `, ${measure.frames_per_s.toFixed(0)} frames per second while playing`;
  return `First frame after ${measure.first_picture_ms.toFixed(0)} ms${rate}.`;
};
