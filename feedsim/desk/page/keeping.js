// What survives a reload: this tab's turns in its session, the last values for the next tab.
// Each browser tab keeps its own turns, so that two tabs never mix.

const AFTER_MS = 300;

const keyOf = (state) => `feedsim desk ${state.files.map((file) => `${file.folder}/${file.file}`).join(" | ")}`;

const read = (store, key) => {
  try {
    return JSON.parse(store.getItem(key));
  } catch {
    return null;
  }
};

const write = (store, key, value) => {
  try {
    store.setItem(key, JSON.stringify(value));
  } catch {
    // full or forbidden: the page works without storage
  }
};

export const makeKeeping = (state) => {
  const key = keyOf(state);
  let waiting = null;
  let timer = null;
  const put = () => {
    clearTimeout(timer);
    timer = null;
    if (!waiting) return;
    write(sessionStorage, key, waiting.kept);
    write(localStorage, key, waiting.changes);
    waiting = null;
  };
  addEventListener("pagehide", put);
  document.addEventListener("visibilitychange", put);
  return {
    session: () => read(sessionStorage, key),
    last: () => read(localStorage, key),
    /** Store the current values once the turn is painted, or when the page is left before. */
    keep(kept, changes) {
      waiting = { kept, changes };
      timer ??= setTimeout(put, AFTER_MS);
    },
  };
};

/** A choice stored for every scenario in this browser. */
export const choice = (name, otherwise) => ({
  get: () => read(localStorage, `feedsim desk: ${name}`) ?? otherwise,
  set: (value) => write(localStorage, `feedsim desk: ${name}`, value),
});
