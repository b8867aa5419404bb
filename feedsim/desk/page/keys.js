// Buttons and single keys. Each action has one name; a button has it in data-do, a key in KEYS.

import { make, one, setAttribute } from "./dom.js";
import { choice } from "./keeping.js";

export const KEYS = [
  ["/", "search", "search the knobs"],
  ["u", "undo", "undo the last turn"],
  ["Shift+U", "redo", "redo it"],
  ["t", "turns", "all turns"],
  ["r", "reset", "all knobs back to the file"],
  ["p", "pin", "pin what is shown as A, or let A go"],
  ["s", "take", "save and export"],
  ["b", "theme", "light or dark"],
  ["?", "keys", "these keys"],
];

const keysOn = choice("keys", true);

const keyName = (event) => (event.shiftKey && /^[A-Z]$/.test(event.key) ? "Shift+" : "") + event.key;

const types = (target) => target.matches?.("input:not([type=checkbox], [type=radio], [type=range]), select, textarea");

export const listenToKeys = (deeds) => {
  const byKey = new Map(KEYS.map(([key, deed]) => [key, deed]));
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || event.defaultPrevented) return;
    if ((event.ctrlKey || event.metaKey) && !event.altKey && !types(event.target)) {
      const deed = { z: event.shiftKey ? "redo" : "undo", Z: "redo", y: "redo" }[event.key];
      if (!deed) return;
      event.preventDefault();
      deeds[deed](event);
      return;
    }
    if (event.ctrlKey || event.altKey || event.metaKey || !keysOn.get() || types(event.target)) return;
    const deed = deeds[byKey.get(keyName(event))];
    if (!deed) return;
    event.preventDefault();
    deed(event);
  });
};

export const listenToButtons = (deeds) => {
  for (const button of document.querySelectorAll("[data-do]"))
    button.addEventListener("click", (event) => button.getAttribute("aria-disabled") !== "true" && deeds[button.dataset.do](event));
  for (const button of document.querySelectorAll("dialog .close"))
    button.addEventListener("click", () => button.closest("dialog").close());
  const box = one("keys-on");
  box.checked = keysOn.get();
  box.addEventListener("change", () => {
    keysOn.set(box.checked);
    tellShortcuts();
  });
  one("key-list").replaceChildren(
    ...KEYS.map(([key, , words]) => make("div", {}, make("dt", {}, make("kbd", { text: key.replace("Shift+", "Shift ") })), make("dd", { text: words }))),
  );
  tellShortcuts();
};

const tellShortcuts = () => {
  for (const [key, deed] of KEYS)
    for (const button of document.querySelectorAll(`[data-do="${deed}"]`)) setAttribute(button, "aria-keyshortcuts", keysOn.get() ? key : null);
};
