// Light or dark: as the system, until chosen here.

import { choice } from "./keeping.js";

const chosen = choice("theme", null);
const system = matchMedia("(prefers-color-scheme: dark)");

const set = () => {
  document.documentElement.dataset.theme = chosen.get() ?? (system.matches ? "dark" : "light");
  document.dispatchEvent(new Event("theme"));
};

export const followSystem = () => {
  set();
  system.addEventListener("change", set);
  addEventListener("storage", set);
};

export const switchTheme = () => {
  const to = document.documentElement.dataset.theme === "dark" ? "light" : "dark";
  chosen.set(to === (system.matches ? "dark" : "light") ? null : to);
  set();
};
