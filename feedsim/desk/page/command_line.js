// A command to copy.

import { make, setAttribute, setText } from "./dom.js";

export const commandLine = (words, command) => {
  const copy = make("button", { type: "button" });
  const code = make("code", { tabindex: "0", role: "textbox", "aria-readonly": "true" });
  copy.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(code.textContent);
      setText(copy, "Copied");
    } catch {
      getSelection().selectAllChildren(code);
      setText(copy, "Selected");
    }
  });
  return saying(make("div", { class: "command" }, make("span", { class: "command-for" }), code, copy), words, command);
};

/** Show another command. */
export const saying = (element, words, command) => {
  const [what, code, copy] = element.children;
  if (code.textContent !== command) setText(copy, "Copy");
  setText(what, words);
  setText(code, command);
  setAttribute(code, "aria-label", words);
  setAttribute(copy, "aria-label", `Copy: ${words}`);
  return element;
};
