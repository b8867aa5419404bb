// Times from a turn to its paint, by the page's own clock; a test reads the list.

const MOST = 2000;

export const makeMeasure = () => {
  const begun = new Map();
  const painted = [];
  const afterPaint = new MessageChannel();
  let waiting = [];
  afterPaint.port1.onmessage = () => {
    const now = performance.now();
    for (const [what, turn] of waiting) painted.push({ turn, what, ms: now - begun.get(turn) });
    painted.splice(0, painted.length - MOST);
    waiting = [];
  };
  return {
    painted,
    begin(turn, event) {
      begun.set(turn, event?.timeStamp ?? performance.now());
      if (begun.size > MOST) begun.delete(begun.keys().next().value);
    },
    /** The answer to a turn has been written: the next frame paints it. */
    written(what, turn) {
      if (!begun.has(turn) || painted.some((p) => p.turn === turn && p.what === what)) return;
      requestAnimationFrame(() => {
        waiting.push([what, turn]);
        afterPaint.port2.postMessage(null);
      });
    },
  };
};
