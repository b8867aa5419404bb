// A command to copy.

import { make, setText } from "./dom.js";

export const commandLine = (words, command) => {
  const copy = make("button", { type: "button", text: "Copy", "aria-label": `Copy: ${words}` });
  const code = make("code", { text: command, tabindex: "0", role: "textbox", "aria-readonly": "true", "aria-label": words });
  copy.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(command);
      setText(copy, "Copied");
    } catch {
      getSelection().selectAllChildren(code);
      setText(copy, "Marked");
    }
  });
  return make("div", { class: "command" }, make("span", { class: "command-for", text: words }), code, copy);
};
