// The side view and the timing diagram, playing: a rehearsal page in a frame, replaced by a new one
// out of sight.

import { make, one, setText } from "./dom.js";
import { makeCard } from "./card.js";

/** The control of the new frame that matches one of the old frame. */
const sameIn = (page, { id, dataset }) => (id && page.getElementById(id)) || (dataset.do && page.querySelector(`[data-do="${dataset.do}"]`)) || null;

export const makeFilm = ({ onWanted }) => {
  const stage = make("div", { class: "stage" });
  const choose = (id, words, asked) => make("button", { type: "button", id, text: words, on: { click: () => look(asked) } });
  const buttons = make("div", { class: "buttons", role: "group", "aria-label": "What is played" },
    choose("film-start", "From the start", {}), choose("film-miss", "The first miss", { miss: true }), choose("film-hazard", "The first hazard", { hazard: true }));
  const card = makeCard("film", "The line in motion", buttons, stage);
  card.element.classList.add("wide");
  let asked = {};
  let inSight = false;
  let shown = null;

  const look = (at) => {
    asked = at;
    onWanted();
  };

  new IntersectionObserver(([entry]) => {
    const comes = entry.isIntersecting && !inSight;
    inSight = entry.isIntersecting;
    stage.classList.toggle("unseen", !inSight); // a frame that is not displayed draws nothing
    if (comes && card.element.dataset.state !== "now") onWanted();
  }, { rootMargin: "150px" }).observe(card.element);

  const setTheme = (frame) => {
    const root = frame.contentDocument?.documentElement;
    if (root?.dataset.theme && root.dataset.theme !== document.documentElement.dataset.theme) frame.contentDocument.querySelector('[data-do="theme"]')?.click();
  };
  document.addEventListener("theme", () => shown && setTheme(shown));

  return {
    ...card,
    /** What to ask for; null while out of sight. */
    wanted: () => (inSight || Object.keys(asked).length ? asked : null),
    playAround(carrier) {
      card.element.scrollIntoView({ block: "start" });
      look({ around: carrier });
    },
    show({ document: text, words }) {
      const frame = make("iframe", { title: "The line in motion: side view and timing diagram", class: "coming" });
      for (const old of stage.querySelectorAll(".coming")) old.remove();
      frame.srcdoc = text;
      frame.addEventListener("load", () => {
        setTheme(frame);
        const before = shown?.contentWindow?.rehearsal?.clock;
        const clock = frame.contentWindow.rehearsal?.clock;
        if (before && clock && !("around" in asked || asked.miss || asked.hazard)) {
          clock.setPace(before.pace);
          clock.set(before.at);
          if (before.playing) clock.play();
        }
        const focused = document.activeElement === shown && shown?.contentDocument.activeElement;
        shown?.remove();
        shown = frame;
        frame.classList.remove("coming");
        if (focused) (sameIn(frame.contentDocument, focused) ?? frame).focus();
      });
      stage.classList.toggle("two", text.includes('class="two"'));
      stage.append(frame);
      card.of(words);
      setText(one("film-head"), "The line in motion");
    },
    turned() {
      if (shown) card.state("working");
    },
    tell(words) {
      card.of(words);
    },
  };
};
