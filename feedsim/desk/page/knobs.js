// All knobs: the dozen that matter most, then by part of the machine; filtered by a search or to those turned.

import { keepingFocus, make, one, setText } from "./dom.js";
import { makeKnob, spoken } from "./knob.js";

export const makeKnobs = ({ turns, onTurned }) => {
  const made = new Map();
  const groups = new Map();
  const list = one("knob-list");
  const search = one("knob-search");
  const about = one("knob-about");
  const status = one("knob-count");

  const onTurn = (knob, value, event) => {
    const was = made.get(knob.path).value;
    const is = value ?? knob.file_value;
    const name = `${knob.group} ${spoken(knob.name)}`;
    turns.turn(knob, value, { name, was: was || "nothing", is: is || "nothing" }, event);
    onTurned();
  };

  const onLook = (knob) => {
    const range = knob.default === null ? "" : ` Default: ${knob.default || "none"}.`;
    about.replaceChildren(make("b", { text: knob.path }), ` ${knob.about}${range}`);
  };

  const groupOf = (name, isOpen) => {
    if (!groups.has(name)) {
      const count = make("span", { class: "group-count" });
      const body = make("div", { class: "group-knobs" });
      const above = make("p", { class: "group-above" });
      const element = make("details", { class: "group", open: isOpen }, make("summary", {}, make("span", { text: name }), count), above, body);
      groups.set(name, { element, body, count, above, wasOpen: isOpen });
    }
    return groups.get(name);
  };

  const FIRST = "What matters most";

  const arrange = (told) => {
    const first = told.knobs.filter((knob) => knob.rank).sort((a, b) => a.rank - b.rank);
    const isOneFeeder = !told.knobs.some(({ path }) => path.startsWith("feeder.1."));
    const byGroup = Map.groupBy(told.knobs, (knob) => knob.group);
    const wanted = [[FIRST, first, []], ...told.groups.map((name) => {
      const all = byGroup.get(name) ?? [];
      return [name, all.filter((knob) => !knob.rank), all.filter((knob) => knob.rank)];
    })];
    for (const [name, knobs, above] of wanted) {
      const group = groupOf(name, name === FIRST);
      for (const knob of knobs) made.get(knob.path).place(name === FIRST, isOneFeeder);
      group.body.replaceChildren(...knobs.map((knob) => made.get(knob.path).row));
      setText(group.above, above.length ? `Above, among what matters most: ${above.map((knob) => spoken(knob.name)).join(", ")}.` : "");
      group.knobs = knobs.map((knob) => knob.path);
    }
    list.replaceChildren(...wanted.map(([name]) => groups.get(name).element));
    for (const name of groups.keys()) if (!wanted.some(([there]) => there === name)) groups.delete(name);
  };

  let shape = "";
  const knobs = {
    made,
    /** Take the server's word on all of them. */
    update(told) {
      for (const knob of told.knobs) {
        if (made.has(knob.path)) made.get(knob.path).update(knob);
        else made.set(knob.path, makeKnob(knob, { onTurn, onLook }));
      }
      const paths = new Set(told.knobs.map((knob) => knob.path));
      for (const path of made.keys()) if (!paths.has(path)) made.delete(path);
      const now = told.knobs.map((knob) => `${knob.path} ${knob.group}`).join("\n");
      if (now !== shape) keepingFocus(() => arrange(told));
      shape = now;
      knobs.show();
    },
    /** Write the current values into every knob. */
    show() {
      const { changes } = turns.now;
      for (const [path, knob] of made) {
        const value = changes[path]?.value ?? knob.knob.file_value;
        if (knob.value !== value) knob.set(value);
      }
      filter();
    },
    faults(faults) {
      for (const [path, knob] of made) {
        const own = faults.filter((fault) => fault.path === path || fault.path.startsWith(`${path}.`));
        const words = own.map((fault) => fault.message || fault.text).join("; ") || null;
        if (knob.knob.fault !== words) knob.fault(words);
      }
    },
    autos(autos) {
      for (const [path, { text }] of Object.entries(autos)) made.get(path)?.auto(text);
    },
    /** Scroll a knob into view and focus it. */
    goTo(path) {
      const found = made.get(path);
      if (!found) return;
      if (found.row.closest("[hidden]")) {
        search.value = "";
        one("knobs-turned").checked = false;
        filter();
      }
      const group = found.row.closest("details");
      if (group) group.open = true;
      found.field.focus();
      found.row.scrollIntoView({ block: "nearest" });
    },
  };

  let narrowed = false;
  const filter = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    const onlyTurned = one("knobs-turned").checked;
    const narrows = words.length > 0 || onlyTurned;
    let shown = 0;
    for (const group of groups.values()) {
      let here = 0;
      let turned = 0;
      for (const path of group.knobs ?? []) {
        const knob = made.get(path);
        const fits = knob.matches(words) && (!onlyTurned || knob.isChanged || knob.row.contains(document.activeElement));
        if (knob.row.hidden === fits) knob.row.hidden = !fits;
        here += fits;
        turned += knob.isChanged || Boolean(knob.knob.fault);
      }
      shown += here;
      group.element.hidden = narrows ? here === 0 : group.knobs?.length === 0 && !group.above.textContent;
      group.above.hidden = narrows || !group.above.textContent;
      setText(group.count, turned ? `${group.knobs.length}, ${turned} turned` : String(group.knobs?.length ?? 0));
      if (narrows && !narrowed) group.wasOpen = group.element.open;
      if (narrows) group.element.open = true;
      else if (narrowed) group.element.open = group.wasOpen;
    }
    narrowed = narrows;
    const turned = [...made.values()].filter((knob) => knob.isChanged).length;
    setText(status, narrows ? `${shown} of ${made.size} knobs` : `${made.size} knobs, ${turned} turned`);
  };
  search.addEventListener("input", filter);
  one("knobs-turned").addEventListener("change", filter);
  return knobs;
};
