// Buttons, sliders and keys. Each action has one name; a button has it in data-do, a key in KEYS.

const KEYS = [
  ["Space", "play", "play, pause"],
  ["ArrowRight", "event-next", "next event"],
  ["ArrowLeft", "event-last", "previous event"],
  ["Shift+ArrowRight", "ms-next", "forward 1 ms"],
  ["Shift+ArrowLeft", "ms-last", "back 1 ms"],
  ["ArrowUp", "faster", "faster"],
  ["ArrowDown", "slower", "slower"],
  ["Home", "begin", "to the start"],
  ["End", "end", "to the end"],
  ["m", "miss-next", "next miss"],
  ["Shift+M", "miss-last", "previous miss"],
  ["t", "outside-next", "next out of tolerance"],
  ["Shift+T", "outside-last", "previous out of tolerance"],
  ["h", "hazard-next", "next hazard"],
  ["Shift+H", "hazard-last", "previous hazard"],
  ["s", "stop-next", "next stop"],
  ["Shift+S", "stop-last", "previous stop"],
  ["d", "difference-next", "next difference"],
  ["Shift+D", "difference-last", "previous difference"],
  ["c", "carrier-next", "next carrier"],
  ["Shift+C", "carrier-last", "previous carrier"],
  ["n", "nearest", "the carrier nearest to placement"],
  ["f", "follow", "follow the belt or stay with the machine"],
  ["l", "whole", "whole line"],
  ["i", "nearer", "nearer"],
  ["o", "farther", "farther"],
  ["j", "pan-left", "look upstream"],
  ["k", "pan-right", "look downstream"],
  ["w", "span-shorter", "less time in the diagram"],
  ["Shift+W", "span-longer", "more time in the diagram"],
  ["b", "theme", "light or dark"],
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
    if (isCharacter(event.key) && !letters.on) return;
    const deed = deeds[byKey.get(keyName(event))];
    if (!deed) return;
    event.preventDefault();
    deed();
  });
};

/**
* Single-character keys can be switched off, since users of speech input may
* trigger them by accident (success criterion 2.1.4 of the Web Content Accessibility Guidelines).
 */
const LETTERS = "feedsim.letters";
const letters = { on: true };

const isCharacter = (key) => key.length === 1 && key !== " ";

/** The last choice; a browser may store nothing for a page opened from disk. */
const rememberedLetters = () => {
  try {
    return localStorage.getItem(LETTERS) !== "off";
  } catch {
    return true;
  }
};

const setLetters = (on) => {
  letters.on = on;
  one("letters").checked = on;
  tellKeys();
  try {
    localStorage.setItem(LETTERS, on ? "on" : "off");
  } catch {
    // the choice then holds until the page is closed
  }
};

const listenToButtons = (deeds) => {
  for (const button of document.querySelectorAll("[data-do]"))
    button.addEventListener("click", () => deeds[button.dataset.do]());
  one("letters").addEventListener("change", (event) => setLetters(event.target.checked));
  setLetters(rememberedLetters());
};

/** Name the key of each button in its tooltip, if that key is on. */
const tellKeys = () => {
  for (const button of document.querySelectorAll("[data-do]")) {
    if (button.getAttribute("aria-disabled")) continue;
    const key = KEYS.find(([, deed]) => deed === button.dataset.do)?.[0];
    const works = key && (letters.on || !isCharacter(key.replace("Shift+", "")));
    const words = button.getAttribute("aria-label") ?? button.textContent.trim();
    button.title = works ? `${words} (${keyWords(key)})` : words;
    if (works) button.setAttribute("aria-keyshortcuts", key);
    else button.removeAttribute("aria-keyshortcuts");
  }
};

const keyWords = (key) => key.replace("Arrow", "").replace("Shift+", "Shift ").replace(/\b[a-z]$/, (letter) => letter.toUpperCase());

/** A button with nowhere to go stays focusable and says why it does nothing. */
const disable = (name, reason) => {
  for (const button of document.querySelectorAll(`[data-do^="${name}-"]`)) {
    button.setAttribute("aria-disabled", "true");
    button.title = reason;
  }
};

/** Every sign of picture, diagram and slider, with its meaning. */
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
    addTerm(list, term, text);
  }
};

const addTerm = (list, ...parts) => {
  const row = document.createElement("div");
  row.append(...parts);
  list.append(row);
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
    addTerm(list, term, text);
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
    if (moved > 4) onDrag((event.clientX - last) / textZoom());
    last = event.clientX;
  });
  canvas.addEventListener("pointerup", (event) => {
    if (last !== null && moved <= 4) onPick(event.offsetX / textZoom());
    last = null;
  });
  canvas.addEventListener("pointercancel", () => (last = null));
  canvas.addEventListener(
    "wheel",
    (event) => {
      if (event.ctrlKey || Math.abs(event.deltaY) < Math.abs(event.deltaX)) return;
      event.preventDefault();
      onWheel(event.deltaY < 0 ? 1.2 : 1 / 1.2, event.offsetX / textZoom());
    },
    { passive: false },
  );
};
