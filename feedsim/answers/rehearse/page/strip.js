// The timing diagram under the picture: lanes that move past a fixed cursor.

const GUTTER = 104; // for the names of the lanes
const CURSOR = 0.5; // of the way across the tape

const LANES = [
  { name: "carrier eye", weight: 1, draw: (...all) => drawCarrierEyeLane(...all) },
  { name: "marks known", weight: 1.15, draw: (...all) => drawMarksLane(...all) },
  { name: "insert eye", weight: 1, draw: (...all) => drawInsertEyeLane(...all) },
  { name: "clutch", weight: 1.15, draw: (...all) => drawClutchLane(...all) },
  { name: "speed", weight: 1.7, draw: (...all) => drawSpeedLane(...all) },
];

/** The time window of the diagram, in pixels and in run time of a setup. */
const tapeOf = (area, setup, clock, span) => {
  const width = area.width - GUTTER;
  const t = clock + setup.clockZero;
  const from = Math.max(setup.from_s, t - span * CURSOR);
  const to = Math.min(setup.to_s, t + span * (1 - CURSOR));
  return {
    t,
    from,
    to,
    scale: width / span,
    cursor: GUTTER + width * CURSOR,
    x: (time) => GUTTER + width * CURSOR + ((time - t) * width) / span,
    left: GUTTER,
    right: area.width,
  };
};

const drawStrip = (area, setup, { clock, span, feeder: place, letter, ink, inUnits, withAxis }) => {
  const { pen, width, height } = area;
  const feeder = setup.feeders[Math.min(place, setup.feeders.length - 1)];
  const tape = tapeOf(area, setup, clock, span);
  pen.fillStyle = ink.paper;
  pen.fillRect(0, 0, width, height);
  const axis = withAxis ? 20 : 2;
  const all = LANES.reduce((sum, lane) => sum + lane.weight, 0);
  let y = 4;
  const room = height - axis - y;
  drawTimeAxis(area, tape, { y: height - axis, ink, zero: setup.clockZero, withAxis });
  drawStandingOnTape(area, setup, tape, { ink, axis });
  for (const lane of LANES) {
    const box = { top: y + 3, bottom: y + (room * lane.weight) / all - 3 };
    y += (room * lane.weight) / all;
    stroke(pen, ink.grid, 1, [[0, y], [width, y]]);
    nameLane(pen, lane, box, ink);
    pen.save();
    pen.beginPath();
    pen.rect(tape.left, 0, width - tape.left, height);
    pen.clip();
    lane.draw(area, box, tape, { setup, feeder, ink, inUnits });
    pen.restore();
  }
  if (letter) write(pen, letter, 6, height / 2, { font: BOLD, colour: ink.ink, line: "middle", back: ink.paper });
  stroke(pen, ink.ink, 1.5, [[tape.cursor, 2], [tape.cursor, height - axis + 4]]);
  fillShape(pen, ink.ink, [[tape.cursor - 5, 0], [tape.cursor + 5, 0], [tape.cursor, 8]]);
};

const nameLane = (pen, lane, { top, bottom }, ink) => {
  const look = { font: SMALL, align: "right", line: "middle" };
  const middle = (top + bottom) / 2;
  if (lane.name !== "speed") {
    write(pen, lane.name, GUTTER - 8, middle, { ...look, colour: ink.ink });
    return;
  }
  const gap = Math.min(9, (bottom - top) / 3);
  write(pen, "belt speed", GUTTER - 34, middle - gap, { ...look, colour: ink.ink });
  stroke(pen, ink.target, 1.8, [[GUTTER - 30, middle - gap], [GUTTER - 8, middle - gap]], [6, 4]);
  write(pen, "feed speed", GUTTER - 34, middle + gap, { ...look, colour: ink.ink });
  stroke(pen, ink.insert, 2, [[GUTTER - 30, middle + gap], [GUTTER - 8, middle + gap]]);
};

const drawTimeAxis = ({ pen, width }, tape, { y, ink, zero, withAxis }) => {
  const step = roundStep(90 / tape.scale);
  const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const seconds = (width - GUTTER) / tape.scale;
  const from = tape.t - seconds * CURSOR - zero;
  for (let n = Math.ceil(from / step); n * step <= from + seconds; n++) {
    const x = tape.x(n * step + zero);
    stroke(pen, ink.grid, 1, [[x, 0], [x, y]]);
    if (withAxis && x > GUTTER + 14 && x < width - 24)
      write(pen, `${fixed(n * step, places)} s`, x, y + 14, { font: SMALL, colour: ink.soft, align: "center" });
  }
};

const MOST_SCANS = 300; // more on the tape would be a blur

/** What the program sees of a filtered or polled eye: a bar below; a line above for each scan. */
const drawInput = ({ pen }, box, tape, { input, ink }) => {
  const { levels, scan_s: scan, phase_s: phase } = input;
  const high = Math.max(3, (box.bottom - box.top) / 5);
  const [first, last] = stretchesIn(levels, tape.from, tape.to);
  pen.fillStyle = ink.ink;
  for (let i = first; i < last; i++) {
    const from = tape.x(Math.max(levels.from_s[i], tape.from));
    const to = tape.x(Math.min(levels.to_s[i], tape.to));
    pen.fillRect(from, box.bottom - high, to - from, high);
  }
  if (scan === 0 || (tape.to - tape.from) / scan > MOST_SCANS) return;
  for (let n = Math.ceil((tape.from - phase) / scan); phase + n * scan <= tape.to; n++) {
    const x = tape.x(phase + n * scan);
    stroke(pen, ink.target, 1, [[x, box.top - 3], [x, box.top + 2]]);
  }
};

const drawBars = ({ pen }, box, tape, { signal, input, ink, word }) => {
  const middle = (box.top + box.bottom) / 2;
  stroke(pen, ink.soft, 1, [[tape.x(tape.from), box.bottom], [tape.x(tape.to), box.bottom]]);
  const [first, last] = stretchesIn(signal, tape.from, tape.to);
  const font = box.bottom - box.top < 12 ? TINY : SMALL;
  for (let i = first; i < last; i++) {
    const from = tape.x(Math.max(signal.from_s[i], tape.from));
    const to = tape.x(Math.min(signal.to_s[i], tape.to));
    if (to < tape.left) continue;
    drawBar(pen, box, [from, to], { fill: ink.blocked, ink });
    const name = fitting(pen, [`${word} ${signal.number[i]}`, `${signal.number[i]}`, ""], to - from - 6, font);
    write(pen, name, (Math.max(from, tape.left) + to) / 2, middle, { font, colour: ink.ink, align: "center", line: "middle" });
  }
  if (input) drawInput({ pen }, box, tape, { input, ink });
};

const drawBar = (pen, box, [from, to], { fill, ink }) => {
  pen.globalAlpha = 0.45;
  pen.fillStyle = fill;
  pen.fillRect(from, box.top, to - from, box.bottom - box.top);
  pen.globalAlpha = 1;
  stroke(pen, ink.ink, 1, [[from, box.bottom], [from, box.top], [to, box.top], [to, box.bottom]]);
};

const drawCarrierEyeLane = (area, box, tape, { setup, ink }) =>
  drawBars(area, box, tape, { signal: setup.carrier_eye, input: setup.carrier_input, ink, word: "carrier" });

/** A mark: from when the program knows it until the clutch closes for it or the program gives it up. */
const drawMarksLane = ({ pen }, box, tape, { setup, feeder, ink }) => {
  const { known_s, eye_time_s, first } = setup.carriers;
  const each = (box.bottom - box.top) / feeder.markRows;
  const begin = Math.max(0, countUpTo(eye_time_s, tape.from) - MOST_WAITING);
  const end = countUpTo(eye_time_s, tape.to);
  for (let row = begin; row < end; row++) {
    const missed = feeder.rows.outcome[row] !== PLACED;
    const acted = actedOn(feeder, row);
    const y = box.top + each * (0.5 + (row % feeder.markRows));
    const known = known_s[row];
    if (known <= tape.to && acted >= tape.from) {
      const [from, to] = [tape.x(Math.max(known, tape.from)), tape.x(Math.min(acted, tape.to))];
      stroke(pen, ink.ink, 2, [[from, y], [to, y]]);
      const look = { font: SMALL, colour: ink.ink, align: "center", back: ink.paper, line: "middle" };
      if (to - from > 46) write(pen, `${first + row}`, (Math.max(from, tape.left) + to) / 2, y, look);
      if (known >= tape.from) SIGNS.known(pen, from, y, ink);
    }
    const given = feeder.rows.missed_s[row];
    if (missed && given >= tape.from && given <= tape.to) SIGNS.miss(pen, tape.x(given), y, ink);
  }
};

const drawInsertEyeLane = (area, box, tape, { setup, feeder, ink }) => {
  drawBars(area, box, tape, { signal: feeder.insert_eye, input: feeder.insert_input, ink, word: "insert" });
  const { happenings } = setup;
  const place = setup.feeders.indexOf(feeder);
  for (let i = countUpTo(happenings.time_s, tape.from); i < countUpTo(happenings.time_s, tape.to); i++) {
    if (happenings.names[happenings.what[i]][1] === "stray_insert" && happenings.feeder[i] === place)
      SIGNS.hazard(area.pen, tape.x(happenings.time_s[i]), (box.top + box.bottom) / 2, ink);
  }
};

/** How far the clutch is engaged, with its closings, openings and the landings in between. */
const drawClutchLane = ({ pen }, box, tape, { setup, feeder, ink }) => {
  const { motion, rows } = feeder;
  const points = [];
  const step = 2 / tape.scale;
  for (let t = tape.from; t <= tape.to; t += step)
    points.push([tape.x(t), box.bottom - (box.bottom - box.top) * motion.engagement(t)]);
  if (points.length < 2) return;
  pen.globalAlpha = 0.4;
  fillShape(pen, ink.clutch, [[points[0][0], box.bottom], ...points, [points.at(-1)[0], box.bottom]]);
  pen.globalAlpha = 1;
  stroke(pen, ink.ink, 1.2, points);
  const begin = Math.max(0, countUpTo(setup.carriers.eye_time_s, tape.from) - MOST_WAITING);
  const end = countUpTo(setup.carriers.eye_time_s, tape.to);
  for (let row = begin; row < end; row++) {
    for (const [sign, time, y] of [
      ["closes", rows.engage_time_s[row], box.bottom - 4],
      ["lands", rows.placement_time_s[row], (box.top + box.bottom) / 2],
      ["opens", rows.opening_time_s[row], box.top + 4],
    ])
      if (time >= tape.from && time <= tape.to) SIGNS[sign](pen, tape.x(time), y, ink);
  }
};

const drawSpeedLane = ({ pen }, box, tape, { setup, feeder, ink }) => {
  const top = 1.15 * setup.fastest_mm_s;
  const y = (v) => box.bottom - ((box.bottom - box.top) * v) / top;
  const [belt, feed] = [[], []];
  const step = 2 / tape.scale;
  for (let t = tape.from; t <= tape.to; t += step) {
    belt.push([tape.x(t), y(setup.motion.speed(t))]);
    feed.push([tape.x(t), y(feeder.motion.speed(t))]);
  }
  if (belt.length < 2) return;
  stroke(pen, ink.target, 1.6, belt, [6, 4]);
  stroke(pen, ink.insert, 1.8, feed);
};
