// The page's one clock: its time, whether it runs, and its speed relative to real time.

const SPEEDS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10];
const LONGEST_FRAME = 0.1; // s: a page that was hidden must not leap

const speedWords = (speed) => {
  if (speed === 1) return "real time";
  return speed < 1 ? `1/${Math.round(1 / speed)} of real time` : `${speed} × real time`;
};

const makeClock = ({ from, to, begin, goesOn }, onChange) => {
  const clock = {
    at: begin,
    from,
    to,
    pace: SPEEDS.indexOf(0.1),
    playing: false,
    set(at) {
      clock.at = Math.min(to, Math.max(from, at));
      onChange();
    },
    play() {
      if (clock.at >= to) clock.at = from;
      clock.playing = true;
      onChange();
    },
    pause() {
      clock.playing = false;
      onChange();
    },
    setPace(pace) {
      clock.pace = Math.min(SPEEDS.length - 1, Math.max(0, pace));
      onChange();
    },
    /** Advance by the duration of a frame (s). */
    tick(seconds) {
      clock.at = goesOn(clock.at + Math.min(seconds, LONGEST_FRAME) * SPEEDS[clock.pace]);
      if (clock.at < to) return;
      clock.at = to;
      clock.playing = false;
      onChange();
    },
  };
  return clock;
};

/** Frames per second over the last second of playing, and the time of the first frame. */
const makeMeasure = () => {
  let frames = [];
  const measure = {
    first_picture_ms: NaN,
    frames_per_s: NaN,
    drawn(now, playing) {
      if (Number.isNaN(measure.first_picture_ms)) measure.first_picture_ms = performance.now();
      if (!playing) {
        frames = [];
        return;
      }
      frames.push(now);
      while (frames.length && frames[0] < now - 1000) frames.shift();
      if (frames.length > 1) measure.frames_per_s = (1000 * (frames.length - 1)) / (frames.at(-1) - frames[0]);
    },
  };
  return measure;
};
