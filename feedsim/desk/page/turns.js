// The knobs' values and every turn that led to them: undo, redo, go to any of them.

const TOGETHER_MS = 900; // a key held down: one turn, as is a drag however long it takes
const MOST_TURNS = 1000;

/** A turn's values that differ from another's, by their keys; all its values if the texts differ. */
const valuesOf = (turn, other, bases) => {
  const isSameText = turn.base === other.base;
  const value = ({ changes }, path) => (changes[path] ? changes[path].value || "nothing" : "as in the file");
  const paths = Object.keys(isSameText ? { ...turn.changes, ...other.changes } : turn.changes).sort();
  const words = paths.filter((path) => !isSameText || value(turn, path) !== value(other, path)).map((path) => `${path} ${value(turn, path)}`);
  return [...(isSameText ? [] : [bases[turn.base].name]), ...words].join(", ");
};

/**
 * A turn is {base, changes, words, path}: the text it starts from, the values that differ from it
 * by path ({value, kind}), and what it changed. `bases` holds the texts: {file, name, text}.
 */
export const makeTurns = (kept, onTurn) => {
  let { bases, history, at } = kept;
  let pin = kept.pin ?? null; // a turn, or null
  let lastAt = -Infinity;
  let isHeld = false;
  let id = 1;
  const taken = new Map([[1, history[at]]]);

  const moved = (event) => {
    id += 1;
    taken.set(id, history[at]);
    if (taken.size > MOST_TURNS) taken.delete(taken.keys().next().value);
    onTurn(event);
  };

  const turns = {
    get id() {
      return id;
    },
    get now() {
      return history[at];
    },
    get base() {
      return bases[history[at].base];
    },
    get history() {
      return history;
    },
    get at() {
      return at;
    },
    get pin() {
      return pin;
    },
    pinNow: () => (pin = history[at]),
    letGo: () => (pin = null),
    get kept() {
      return { bases, history, at, pin };
    },
    /** The words of a turn, by its id. */
    wordsOf: (one) => taken.get(one)?.words ?? "",
    /** Where the pinned turn and that of an id differ, and by which values. */
    apart(one) {
      const now = taken.get(one);
      if (!pin || !now) return "";
      const both = [valuesOf(pin, now, bases), valuesOf(now, pin, bases)];
      return both.some(Boolean) ? `A: ${both[0]}. now: ${both[1]}.` : "A and now have the same values.";
    },
    baseOf: (turn) => bases[turn.base],
    /** Turn a knob; `value` null puts it back to the file's value. */
    turn(knob, value, words, event) {
      const last = history[at];
      const isSoon = isHeld ? lastAt > -Infinity : performance.now() - lastAt < TOGETHER_MS;
      const together = last.path === knob.path && isSoon && at > 0;
      const changes = { ...last.changes };
      delete changes[knob.path];
      if (value !== null) changes[knob.path] = { value, kind: knob.kind };
      const was = together ? last.was : words.was;
      const entry = { base: last.base, changes, path: knob.path, was, words: `${words.name}: ${was} → ${words.is}` };
      history = [...history.slice(0, together ? at : at + 1), entry].slice(-MOST_TURNS);
      at = history.length - 1;
      lastAt = performance.now();
      moved(event);
    },
    /** Continue from another text, without changes. */
    restart(base, words) {
      bases = [...bases, base];
      history = [...history.slice(0, at + 1), { base: bases.length - 1, changes: {}, path: null, words }];
      at = history.length - 1;
      moved();
    },
    /** Continue with other changes of the same text. */
    adopt(changes, words) {
      history = [...history.slice(0, at + 1), { base: history[at].base, changes, path: null, words }];
      at = history.length - 1;
      moved();
    },
    /** Put all knobs back to the file's values. */
    reset: (words) => turns.adopt({}, words),
    goTo(place, event) {
      const to = Math.min(history.length - 1, Math.max(0, place));
      if (to === at) return;
      at = to;
      lastAt = -Infinity;
      moved(event);
    },
    /** The next turn of the same knob is a new one; those that follow belong to it while the knob is held. */
    settle(holds) {
      lastAt = -Infinity;
      isHeld = holds;
    },
  };
  return turns;
};
