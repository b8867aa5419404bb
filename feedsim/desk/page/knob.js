// One knob: name, field, slider, reset, what "auto" stands for, its fault.

import { make, setAttribute, setText } from "./dom.js";
import { onGrid, parts, stepped, withUnit } from "./steps.js";

const STEPS = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 };

export const spoken = (name) => name.replaceAll("_", " ");

/** The part of the machine that a knob belongs to, without the feeder's name where there is only one. */
const partOf = (group, isOneFeeder) => {
  const after = isOneFeeder ? group.split(": ").at(-1) : group;
  return after[0].toUpperCase() + after.slice(1);
};

/**
 * @param onTurn  called with (value or null, event) when the user turns it
 * @param onLook  called when this knob is looked at
 */
export const makeKnob = (first, { onTurn, onLook }) => {
  let knob = first;
  let value = first.value;
  let asTold = ""; // what the server said of it, where nothing has changed it since
  let taken = ""; // what a number without its unit was taken as
  const id = `knob-${first.path.replaceAll(".", "-")}`;
  const name = make("label", { class: "knob-name", for: id });
  const slider = make("input", { type: "range", class: "knob-slider", tabindex: "0" });
  const reset = make("button", { type: "button", class: "knob-reset", text: "↺" });
  const auto = make("button", { type: "button", class: "knob-auto", text: "auto" });
  const note = make("p", { class: "knob-note", id: `${id}-note` });
  const fault = make("p", { class: "knob-fault", id: `${id}-fault` });
  const field = makeField(first, id);
  const row = make("div", { class: `knob kind-${first.kind}`, role: "group" }, name, field, reset, slider, auto, note, fault);

  const turn = (to, event) => {
    if (to === null || to === undefined) return;
    const typed = String(to).trim();
    const trimmed = withItsUnit(typed, knob);
    taken = trimmed === typed ? "" : `${typed} has no unit: taken as ${trimmed}`;
    if (trimmed === value) {
      tell();
      return show();
    }
    onTurn(knob, trimmed === knob.file_value && !knob.fileFault ? null : trimmed, event);
  };

  const now = () => (value === "auto" && knob.auto ? autoNumber(knob) : parts(value)?.number ?? null);

  field.addEventListener("change", (event) => turn(field.type === "checkbox" ? String(field.checked) : field.value, event));
  field.addEventListener("keydown", (event) => {
    if (event.key === "Escape") return show(true);
    if (event.key === "Enter" && field.tagName === "INPUT" && field.type === "text") {
      event.preventDefault();
      return turn(field.value, event);
    }
    const count = STEPS[event.key];
    if (!count || !knob.slider || field.type !== "text") return;
    event.preventDefault();
    const step = Math.abs(count) > 1 ? knob.slider.big : knob.slider.step;
    const next = stepped(field.value.trim(), { unit: knob.unit, step, from: now() }, Math.sign(count));
    if (next !== null) turn(next, event);
  });
  slider.addEventListener("input", (event) => turn(withUnit(onGrid(Number(slider.value), knob.slider.step), knob.unit), event));
  slider.addEventListener("keydown", (event) => {
    const big = { PageUp: 1, PageDown: -1 }[event.key];
    if (!big) return;
    event.preventDefault();
    const next = Math.min(slider.max, Math.max(slider.min, Number(slider.value) + big * knob.slider.big));
    turn(withUnit(onGrid(next, knob.slider.step), knob.unit), event);
  });
  reset.addEventListener("click", (event) => {
    onTurn(knob, null, event);
    field.focus();
  });
  auto.addEventListener("click", (event) => {
    if (value !== "auto") return turn("auto", event);
    const number = autoNumber(knob);
    if (number !== null) turn(withUnit(String(number), knob.unit), event);
  });
  row.addEventListener("focusin", () => onLook(knob));
  row.addEventListener("pointerenter", () => onLook(knob));

  /** Write the current value; a field in use keeps its text unless forced. */
  const show = (force = true) => {
    if (field.type === "checkbox") field.checked = value === "true";
    else if (force || document.activeElement !== field) {
      if (field.tagName === "SELECT" && ![...field.options].some((o) => o.value === value))
        field.append(make("option", { value, text: value }));
      if (field.value !== value) field.value = value;
    }
    if (!knob.slider) return;
    const number = now();
    if (number !== null) {
      if (number > Number(slider.max)) slider.max = number;
      if (number < Number(slider.min)) slider.min = number;
      slider.value = number;
    }
    setAttribute(slider, "aria-valuetext", value === "auto" ? `auto, ${knob.auto?.text ?? ""}` : value || "none");
  };

  const tell = () => {
    const words = taken ? [taken] : [];
    if (knob.auto && value === "auto") words.push(`auto: ${knob.auto.text}`);
    if (knob.off) words.push("not in the file: off");
    else if (isChanged()) words.push(`in the file: ${knob.file_value || "nothing"}`);
    setText(note, words.join(" · "));
    setText(fault, knob.fault ? `✕ ${knob.fault}` : "");
    setAttribute(field, "aria-invalid", knob.fault ? "true" : null);
    setAttribute(field, "aria-describedby", [words.length && note.id, knob.fault && fault.id].filter(Boolean).join(" ") || null);
    row.classList.toggle("faulty", Boolean(knob.fault));
    row.classList.toggle("changed", isChanged());
    row.classList.toggle("off", knob.off);
    if (document.activeElement === reset && !isChanged()) field.focus();
    reset.hidden = !isChanged();
    auto.hidden = !knob.may_be_auto;
    setAttribute(auto, "aria-pressed", knob.may_be_auto ? String(value === "auto") : null);
  };

  let placed = "";
  const isChanged = () => value !== knob.file_value;

  const made = {
    row,
    field,
    slider,
    get knob() {
      return knob;
    },
    get value() {
      return value;
    },
    get isChanged() {
      return isChanged();
    },
    /** Take the server's word on this knob; the slider's ends stay while it is being dragged. */
    update(told) {
      const words = JSON.stringify(told);
      if (words === asTold) return;
      const sliderBefore = knob.slider;
      knob = { ...told, slider: told.slider && sliderBefore && document.activeElement === slider ? sliderBefore : told.slider };
      made.place(made.isFirst ?? false, made.isOneFeeder ?? true);
      slider.hidden = !knob.slider;
      if (knob.slider && document.activeElement !== slider) {
        const { low, high, step } = knob.slider;
        [slider.min, slider.max, slider.step] = [low, high, step];
      }
      show(false);
      tell();
      asTold = words;
    },
    /** Show the current value. */
    set(to) {
      asTold = "";
      if (!taken.endsWith(` ${to}`)) taken = "";
      if (to === "auto" && knob.auto) knob.auto = { ...knob.auto, text: "…" }; // until the next answer
      value = to;
      show(true);
      tell();
    },
    auto(text) {
      if (!knob.auto || knob.auto.text === text) return;
      asTold = "";
      knob.auto = { ...knob.auto, text };
      show(false);
      tell();
    },
    fault(words) {
      asTold = "";
      knob.fault = words;
      tell();
    },
    /** Among those that matter most, a knob is also named by its part of the machine. */
    place(isFirst, isOneFeeder) {
      const named = `${isFirst} ${isOneFeeder} ${knob.group} ${knob.name}`;
      if (named === placed) return;
      placed = named;
      Object.assign(made, { isFirst, isOneFeeder });
      const part = isFirst ? partOf(knob.group, isOneFeeder) : "";
      name.replaceChildren(...(part ? [make("span", { class: "part", text: `${part} ` })] : []), spoken(knob.name));
      const whole = `${part || knob.group} ${spoken(knob.name)}`;
      setAttribute(field, "aria-label", whole);
      setAttribute(slider, "aria-label", `${whole}, slider`);
      setAttribute(reset, "aria-label", `${whole}: back to the file's value`);
      setAttribute(reset, "title", "Back to the file's value");
      setAttribute(auto, "aria-label", `${whole}: auto`);
      setAttribute(row, "aria-label", whole);
    },
    matches: (words) => words.every((word) => wordsOf(knob).includes(word)),
  };
  made.update(first);
  return made;
};

const wordsOf = (knob) => `${knob.path} ${spoken(knob.path)} ${knob.group} ${knob.about} ${knob.value}`.toLowerCase();

/** A bare number gets the unit shown; a share below 1 stays bare, since a fraction may be meant. */
const withItsUnit = (typed, { kind, unit }) => {
  const found = kind === "quantity" && unit && parts(typed);
  if (!found || found.unit || !Number.isFinite(found.number)) return typed;
  return unit.trim() === "%" && found.number > 0 && found.number < 1 ? typed : withUnit(typed, unit);
};

const autoNumber = ({ auto, unit }) => {
  if (!auto) return null;
  const found = parts(auto.text);
  return found && found.unit.replace("²", "^2") === (unit ?? "").trim() ? found.number : null;
};

const makeField = (knob, id) => {
  if (knob.kind === "choice")
    return make("select", { id, class: "knob-field" }, ...knob.choices.map((word) => make("option", { value: word, text: word })));
  if (knob.kind === "yesno") return make("input", { id, class: "knob-field", type: "checkbox" });
  return make("input", { id, class: "knob-field", type: "text", autocomplete: "off", spellcheck: "false" });
};
