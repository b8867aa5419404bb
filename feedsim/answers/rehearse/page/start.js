// Starts the page: its listeners, its first instant, its first frame.

Object.assign(one("time"), { min: clock.from, max: clock.to });
one("time").addEventListener("input", (event) => {
  say("");
  clock.pause();
  clock.set(Number(event.target.value));
});
one("more").addEventListener("click", (event) => {
  const open = document.querySelector("footer").classList.toggle("open");
  event.target.setAttribute("aria-expanded", String(open));
});
one("skip")?.addEventListener("change", (event) => (page.skips = event.target.checked));
one("pace").addEventListener("input", (event) => clock.setPace(Number(event.target.value)));
for (const radio of document.querySelectorAll('input[name="feeder"]'))
  radio.addEventListener("change", () => setFeeder(Number(radio.value)));
pictures.forEach((area, i) =>
  listenToPointer(area.canvas, {
    onDrag: (pixels) => {
      view.moveBy((-pixels * view.span) / area.width);
      redraw();
    },
    onPick: (x) => pickCarrier(setups[i], view.left + (x * view.span) / area.width),
    onWheel: (factor, x) => {
      view.zoom(factor, view.follows ? undefined : view.left + (x * view.span) / area.width);
      redraw();
    },
  }),
);
strips.forEach((area) => {
  const seconds = (pixels) => (pixels * tape.span) / (area.width - GUTTER);
  listenToPointer(area.canvas, {
    onDrag: (pixels) => step(-seconds(pixels)),
    onPick: (x) => x > GUTTER && step(seconds(x - GUTTER - (area.width - GUTTER) * CURSOR)),
    onWheel: (factor) => setSpan(1 / factor),
  });
});
for (const [kind, list] of Object.entries(lists)) if (!list.length) disable(kind, words.none[kind]);
listenToButtons(deeds);
listenToKeys(deeds, one("keys"));
listKeys(one("key-list"));
const prefersDark = matchMedia("(prefers-color-scheme: dark)");
prefersDark.addEventListener("change", () => setTheme(prefersDark.matches ? "dark" : "light"));
setTheme(prefersDark.matches ? "dark" : "light");
let onScreen = "light";
window.addEventListener("beforeprint", () => {
  onScreen = document.documentElement.dataset.theme;
  setTheme("light");
  redrawNow();
});
window.addEventListener("afterprint", () => setTheme(onScreen));
beginAt(setups[0]);
beginAtFragment();
requestAnimationFrame(frame);

// for tests and benchmarks
window.rehearsal = { clock, view, tape, measure, setups, lists, events, page, pictures, redrawNow, drawn: () => page.drawn, errors: () => page.errors };
