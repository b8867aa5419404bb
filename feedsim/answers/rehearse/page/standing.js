// Stops: when the line stood and why, in the picture, in the diagram and over the time slider.

const standings = ({ stops }) =>
  stops.why.map((why, i) => ({ why, from: stops.time_s[i], rest: stops.at_rest_s[i], to: stops.restarted_s[i] }));

/** The stop at time t of the run; undefined while the line runs. */
const stopAt = (setup, t) => standings(setup).find(({ from, to }) => from <= t && !(to <= t));

/** Where the page's clock resumes, to skip the time when the belt is at rest in every setup. */
const pastStanding = (setups, at) => {
  const found = setups.map((setup) => {
    const stop = stopAt(setup, at + setup.clockZero);
    return stop && stop.rest <= at + setup.clockZero ? stop.to - setup.clockZero : at;
  });
  const next = Math.min(...found.filter((time) => !Number.isNaN(time)), Infinity);
  return next > at && Number.isFinite(next) ? next : at;
};

const standingWords = ({ why, from, rest, to }, t) => {
  if (t < rest) return `STOPPING: ${why}`;
  const whole = Number.isNaN(to) ? "for good" : `${fixed(t - from, 1)} s of ${fixed(to - from, 1)} s`;
  return `STOPPED: ${why}, ${whole}`;
};

/** Write into the picture that the line stands, why and for how long. */
const drawStanding = ({ pen, width }, setup, t, { ink }) => {
  const stop = stopAt(setup, t);
  if (!stop) return;
  const text = standingWords(stop, t);
  const half = widthOf(pen, text, BOLD) / 2 + 14;
  pen.fillStyle = ink.bad;
  pen.fillRect(width / 2 - half, NOTE_TOP, 2 * half, 22);
  write(pen, text, width / 2, NOTE_TOP + 11, { font: BOLD, colour: ink.paper, align: "center", line: "middle" });
};

/** Hatching over a span that is not covered, or in which the line stands. */
const hatch = (pen, colour, [left, right], [top, bottom]) => {
  if (!(right > left)) return;
  pen.save();
  pen.beginPath();
  pen.rect(left, top, right - left, bottom - top);
  pen.clip();
  for (let x = left - (bottom - top); x < right; x += 7) stroke(pen, colour, 1, [[x, bottom], [x + bottom - top, top]]);
  pen.restore();
};

/** In the diagram: a band where the line stands, hatching outside the span covered. */
const drawStandingOnTape = ({ pen, height }, setup, tape, { ink, axis }) => {
  const clamped = (x) => Math.min(tape.right, Math.max(tape.left, x));
  const [first, last] = [clamped(tape.x(setup.from_s)), clamped(tape.x(setup.to_s))];
  hatch(pen, ink.faint, [tape.left, first], [0, height - axis]);
  hatch(pen, ink.faint, [last, tape.right], [0, height - axis]);
  for (const stop of standings(setup)) {
    const [from, to] = [clamped(tape.x(stop.from)), Number.isNaN(stop.to) ? last : clamped(tape.x(stop.to))];
    if (!(to > from)) continue;
    pen.globalAlpha = 0.16;
    pen.fillStyle = ink.bad;
    pen.fillRect(from, 0, to - from, height - axis);
    pen.globalAlpha = 1;
  }
};

/** Over the time slider: a bar where a line stands, hatching where a setup has no data. */
const drawStandingOnTimeline = (pen, setups, x, { from, to, height, ink }) => {
  for (const setup of setups) {
    hatch(pen, ink.soft, [x(from), x(setup.from_s - setup.clockZero)], [0, height]);
    hatch(pen, ink.soft, [x(setup.to_s - setup.clockZero), x(to)], [0, height]);
    pen.fillStyle = ink.bad;
    for (const stop of standings(setup)) {
      const left = x(Math.max(from, stop.from - setup.clockZero));
      const right = x(Math.min(to, (Number.isNaN(stop.to) ? setup.to_s : stop.to) - setup.clockZero));
      pen.globalAlpha = 0.3;
      pen.fillRect(left, 1, Math.max(2, right - left), height - 2);
      pen.globalAlpha = 1;
    }
  }
};
