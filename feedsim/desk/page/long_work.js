// Long work: start it, watch it, cancel it; its answer says which values it belongs to.

import { make, setAttribute, setText } from "./dom.js";
import { makeCard } from "./card.js";
import { commandLine } from "./command_line.js";
import { Gone, Locked } from "./server.js";

/**
 * @param question  returns the question: {what, more}, or words for what is missing
 * @param show  writes an answer into a place
 */
export const makeLongWork = ({ id, title, about, controls, question, show, planner, turns }) => {
  const begin = make("button", { type: "button", id: `${id}-begin`, text: "Start" });
  const cancel = make("button", { type: "button", id: `${id}-cancel`, text: "Cancel", hidden: true });
  const progress = make("progress", { max: "1", value: "0", hidden: true, "aria-label": `${title}: progress` });
  const said = make("span", { class: "said-now", role: "status" });
  const place = make("div", { class: "work-answer" });
  const row = make("div", { class: "work-row" }, ...controls, begin, cancel, progress, said);
  const card = makeCard(id, title, make("p", { class: "legend", text: about }), row, place);
  card.element.classList.add("work");
  let controller = null;
  let answered = null;

  const running = (is) => {
    const hadFocus = [cancel, document.body].includes(document.activeElement);
    begin.hidden = is;
    cancel.hidden = !is;
    progress.hidden = !is;
    progress.value = 0;
    if (is) cancel.focus();
    else if (hadFocus) begin.focus();
  };

  const work = async () => {
    const asked = question();
    if (typeof asked === "string") return setText(said, asked);
    controller = new AbortController();
    running(true);
    setText(said, "…");
    const turn = turns.id;
    const onProgress = ({ done, total, of }) => {
      progress.value = total ? done / total : 0;
      setText(said, `${done.toLocaleString("en")} of ${total.toLocaleString("en")} ${of}`);
    };
    try {
      const line = await planner().single(asked.what, asked.more, { signal: controller.signal, onProgress });
      setText(said, line.answer ? "" : line.refused ?? line.dropped ?? line.defect ?? line.faults.map((fault) => fault.text).join("; "));
      if (line.answer) {
        show(place, line.answer);
        if (line.answer.command) place.append(commandLine("Command with the same answer", line.answer.command));
        answered = { turn, words: turns.wordsOf(turn) };
      } else {
        place.replaceChildren(); // what stood there is no answer to this
        answered = null;
      }
      work_.turned();
    } catch (error) {
      if (error.name === "AbortError") setText(said, `cancelled${answered ? "; the previous answer stands below" : ""}`);
      else if (error instanceof Gone || error instanceof Locked) setText(said, "the server did not answer");
      else setText(said, error.message);
    }
    controller = null;
    running(false);
  };

  begin.addEventListener("click", work);
  cancel.addEventListener("click", () => controller?.abort());

  const work_ = {
    ...card,
    work,
    /** The values have changed: the answer here belongs to earlier ones. */
    turned() {
      const isOfNow = !answered || answered.turn === turns.id;
      setAttribute(place, "data-state", isOfNow ? "now" : "good");
      card.of(answered && !isOfNow ? `of earlier values (${answered.words})` : "");
    },
  };
  return work_;
};
