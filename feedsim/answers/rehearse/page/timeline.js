// The signs over the time slider: misses, hazards, stops, differences, and where the line stands.

const THUMB = 16; // width of the slider's handle: its middle runs between half of it at both ends
const MOST_SIGNS = 400;

const drawTimeline = ({ pen, width, height }, { setups, lists, from, to, at, ink }) => {
  pen.fillStyle = ink.paper;
  pen.fillRect(0, 0, width, height);
  const x = (when) => THUMB / 2 + ((width - THUMB) * (when - from)) / (to - from || 1);
  stroke(pen, ink.faint, 1, [[x(from), height - 1], [x(to), height - 1]]);
  drawStandingOnTimeline(pen, setups, x, { from, to, height, ink });
  for (const [kind, list] of Object.entries(lists)) {
    const every = Math.ceil(list.length / MOST_SIGNS);
    for (let i = 0; i < list.length; i += every) SIGNS[kind](pen, x(list[i].at), height / 2, ink);
  }
  stroke(pen, ink.ink, 1.5, [[x(at), 0], [x(at), height]]);
};
