// Elements: find, make, keep in step with a list.

export const one = (id) => document.getElementById(id);

/** Make an element; `on` has its listeners, `text` its words (never markup), the rest are attributes. */
export const make = (tag, { text, on = {}, ...attributes } = {}, ...children) => {
  const element = document.createElement(tag);
  setAttributes(element, attributes);
  for (const [name, listener] of Object.entries(on)) element.addEventListener(name, listener);
  if (text !== undefined) element.textContent = text;
  element.append(...children);
  return element;
};

/** Set an attribute, or remove it where the value is null or false; leave it alone if it is so already. */
export const setAttribute = (element, name, value) => {
  if (value === null || value === undefined || value === false) element.removeAttribute(name);
  else {
    const text = value === true ? "" : String(value);
    if (element.getAttribute(name) !== text) element.setAttribute(name, text);
  }
};

export const setText = (element, text) => {
  if (element.textContent !== text) element.textContent = text;
};

const FOCUSABLE = "button, input, select, summary, [tabindex]";

/**
 * Keep a parent's children in step with a list: one child an item, made once and told of each change. So
 * what the user has focused or is about to click stays; where it goes, the focus goes to the last that stays.
 */
export const inStep = (parent, items, create, update) => {
  const hadFocus = parent.contains(document.activeElement);
  while (parent.children.length > items.length) parent.lastElementChild.remove();
  items.forEach((item, i) => {
    const child = parent.children[i] ?? parent.appendChild(create(i));
    update(child, item, i);
  });
  const last = parent.lastElementChild;
  if (hadFocus && last && !parent.contains(document.activeElement)) (last.matches(FOCUSABLE) ? last : last.querySelector(FOCUSABLE))?.focus();
};

/** Move elements; the focused one keeps the focus. */
export const keepingFocus = (move) => {
  const focused = document.activeElement;
  move();
  if (focused !== document.activeElement && focused?.isConnected) focused.focus({ preventScroll: true });
};

const SVG = "http://www.w3.org/2000/svg";

export const drawn = (tag, attributes = {}, ...children) => {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) if (name !== "text") element.setAttribute(name, value);
  if (attributes.text !== undefined) element.textContent = attributes.text;
  element.append(...children);
  return element;
};

export const setAttributes = (element, attributes) => {
  for (const [name, value] of Object.entries(attributes)) setAttribute(element, name, value);
};

/** Report each change of an element's size, in CSS pixels, and of the root's text size. */
export const watchSize = (element, onSize) =>
  new ResizeObserver(([{ contentRect }]) => {
    const rem = Number.parseFloat(getComputedStyle(document.documentElement).fontSize);
    onSize({ width: contentRect.width, height: contentRect.height, rem });
  }).observe(element);
