// Buttons, sliders and keys. Each deed has one name; a button says it in data-do, a key in KEYS.

const KEYS = [
  ["Space", "play", "play, pause"],
  ["ArrowRight", "event-next", "next event"],
  ["ArrowLeft", "event-last", "event before"],
  ["Shift+ArrowRight", "ms-next", "1 ms on"],
  ["Shift+ArrowLeft", "ms-last", "1 ms back"],
  ["ArrowUp", "faster", "faster"],
  ["ArrowDown", "slower", "slower"],
  ["Home", "begin", "to the beginning"],
  ["End", "end", "to the end"],
  ["m", "miss-next", "next miss"],
  ["Shift+M", "miss-last", "miss before"],
  ["t", "outside-next", "next out of tolerance"],
  ["Shift+T", "outside-last", "out of tolerance before"],
  ["h", "hazard-next", "next hazard"],
  ["Shift+H", "hazard-last", "hazard before"],
  ["s", "stop-next", "next stop"],
  ["Shift+S", "stop-last", "stop before"],
  ["d", "difference-next", "next difference"],
  ["Shift+D", "difference-last", "difference before"],
  ["c", "carrier-next", "next carrier"],
  ["Shift+C", "carrier-last", "carrier before"],
  ["n", "nearest", "the carrier nearest to its placement"],
  ["f", "follow", "go with the belt, stay with the machine"],
  ["l", "whole", "whole line"],
  ["i", "nearer", "nearer"],
  ["o", "farther", "farther"],
  ["j", "pan-left", "look upstream"],
  ["k", "pan-right", "look downstream"],
  ["w", "span-shorter", "less time in the diagram"],
  ["Shift+W", "span-longer", "more time in the diagram"],
  ["b", "theme", "light, dark"],
  ["?", "keys", "these keys"],
];

const keyName = (event) => {
  if (event.key === " ") return "Space";
  const shifted = event.shiftKey && (event.key.length > 1 || /[A-Z]/.test(event.key));
  return (shifted ? "Shift+" : "") + event.key;
};

/** Keys that a focused control uses itself. */
const ownKeys = (target, event) => {
  if (target instanceof HTMLInputElement)
    return (target.type === "range" ? /^(Arrow|Home|End|Page)/ : /^(Arrow| )/).test(event.key);
  if (target instanceof HTMLButtonElement || target.tagName === "SUMMARY") return event.key === " ";
  return false;
};

const listenToKeys = (deeds, dialog) => {
  const byKey = new Map(KEYS.map(([key, deed]) => [key, deed]));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || dialog.open) return;
    if (ownKeys(event.target, event)) return;
    const deed = deeds[byKey.get(keyName(event))];
    if (!deed) return;
    event.preventDefault();
    deed();
  });
};

const listenToButtons = (deeds) => {
  for (const button of document.querySelectorAll("[data-do]")) {
    const name = button.dataset.do;
    button.addEventListener("click", () => deeds[name]());
    const key = KEYS.find(([, deed]) => deed === name)?.[0];
    if (key) button.title = `${button.getAttribute("aria-label") ?? button.textContent.trim()} (${keyWords(key)})`;
    if (key) button.setAttribute("aria-keyshortcuts", key);
  }
};

const keyWords = (key) => key.replace("Arrow", "").replace("Shift+", "Shift ").replace(/\b[a-z]$/, (letter) => letter.toUpperCase());

/** A button that has nothing to go to stays reachable and says why it does nothing. */
const disable = (name, reason) => {
  for (const button of document.querySelectorAll(`[data-do^="${name}-"]`)) {
    button.setAttribute("aria-disabled", "true");
    button.title = reason;
  }
};

/** Every sign of picture, tape and slider, with what it says. */
const listSigns = (list, ink) => {
  list.replaceChildren();
  for (const [sign, words] of Object.entries(SIGN_WORDS)) {
    if (sign === "difference" && single) continue;
    const term = document.createElement("dt");
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [20, 20];
    SIGNS[sign](canvas.getContext("2d"), 10, 10, ink);
    term.append(canvas);
    const text = document.createElement("dd");
    text.textContent = words;
    list.append(term, text);
  }
};

const listKeys = (list) => {
  for (const [key, deed, words] of KEYS) {
    if (deed.startsWith("difference") && !document.querySelector(`[data-do="${deed}"]`)) continue;
    const term = document.createElement("dt");
    const mark = document.createElement("kbd");
    mark.textContent = keyWords(key);
    term.append(mark);
    const text = document.createElement("dd");
    text.textContent = words;
    list.append(term, text);
  }
};

/** Drag, wheel and click on a canvas; `onDrag` gets pixels, `onPick` and `onWheel` a place. */
const listenToPointer = (canvas, { onDrag, onPick, onWheel }) => {
  let last = null;
  let moved = 0;
  canvas.addEventListener("pointerdown", (event) => {
    last = event.clientX;
    moved = 0;
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (last === null) return;
    moved += Math.abs(event.clientX - last);
    if (moved > 4) onDrag(event.clientX - last);
    last = event.clientX;
  });
  canvas.addEventListener("pointerup", (event) => {
    if (last !== null && moved <= 4) onPick(event.offsetX);
    last = null;
  });
  canvas.addEventListener("pointercancel", () => (last = null));
  canvas.addEventListener(
    "wheel",
    (event) => {
      if (event.ctrlKey || Math.abs(event.deltaY) < Math.abs(event.deltaX)) return;
      event.preventDefault();
      onWheel(event.deltaY < 0 ? 1.2 : 1 / 1.2, event.offsetX);
    },
    { passive: false },
  );
};
