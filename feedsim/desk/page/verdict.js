// Accepted or not, why, on how much evidence, and what comes next.

import { make, setAttribute, setText } from "./dom.js";
import { carriersWords } from "./card.js";

const SIGNS = { accepted: "✓", refused: "✕", undecided: "?" };

export const makeVerdict = (element) => {
  const sign = make("span", { class: "verdict-sign", "aria-hidden": "true" });
  const words = make("p", { class: "verdict-words" });
  const closed = make("p", { class: "verdict-closed" });
  const evidence = make("p", { class: "verdict-evidence" });
  const reasons = make("ul", { class: "verdict-reasons" });
  const state = make("p", { class: "card-state" });
  const progress = make("progress", { max: "1", value: "0", "aria-label": "Carriers of the next round" });
  const next = make("span", { class: "verdict-next" });
  const side = make("div", { class: "verdict-side" }, closed, evidence, make("p", { class: "verdict-round" }, progress, next));
  element.append(sign, make("div", { class: "verdict-main" }, words, reasons, state), side);

  const listReasons = (texts) => reasons.replaceChildren(...texts.map((text) => make("li", { text })));

  return {
    state(name, words_ = "") {
      setAttribute(element, "data-state", name);
      setText(state, words_);
    },
    showForms(forms, former, letters) {
      setText(closed, former ? `${letters[0]}: ${former.verdict.words} ${letters[1]}: ${forms.verdict.words}` : `${forms.verdict.words}`);
      setAttribute(closed, "data-verdict", forms.verdict.state);
    },
    showRun(run, former, letters) {
      setAttribute(element, "data-verdict", run.verdict.state);
      setText(sign, SIGNS[run.verdict.state]);
      setText(words, former ? `${letters[0]}: ${former.verdict.words}. ${letters[1]}: ${run.verdict.words}` : run.verdict.words);
      listReasons(run.verdict.reasons);
      setText(evidence, `${carriersWords(run.carriers)}, seed ${run.seed}, ${run.line_speed.text}; ${run.complete.words}`);
    },
    /** @param isBefore  what is shown belongs to the previous values */
    showRound(next_, done, total, isBefore = false) {
      progress.hidden = next_ === null;
      if (next_ !== null) progress.value = total ? done / total : 0;
      setText(next, next_ === null ? "" : `${isBefore ? "previous values; " : ""}next: ${carriersWords(next_)}`);
    },
    showNoRun(text) {
      setAttribute(element, "data-verdict", "none");
      setText(sign, "–");
      setText(words, text);
      listReasons([]);
      setText(evidence, "");
    },
  };
};
