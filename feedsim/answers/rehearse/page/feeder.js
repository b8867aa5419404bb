// A feeder over the belt: the insert path coming down to the placement point, to scale along
// itself, with its eye, grip, limits and clutch, and the inserts on it.

const STEEPEST = Math.sin((21 * Math.PI) / 180); // the slope is drawn: the model measures along the path
const THICK = 6;

/** Turns places on the path (mm from the insert eye) into pixels; beyond the end, along the belt. */
const pathOf = (at, geometry) => {
  const sin = slopeOf(at, geometry);
  const cos = Math.sqrt(1 - sin * sin);
  const [endX, reach] = [at.x(geometry.eye_to_placement_mm), geometry.insert_eye_to_placement_mm];
  return {
    reach,
    /** A point `off` pixels above the path at s. */
    point(s, off = 0) {
      const along = (s - reach) * at.scale;
      if (along >= 0) return [endX + along, at.top - off];
      return [endX + along * cos + off * sin, at.top + along * sin - off * cos];
    },
  };
};

/** The slope at which the whole path fits into a picture of the whole line, or a steep enough one. */
const slopeOf = (at, { insert_eye_to_placement_mm: reach, insert_pitch_mm: pitch }) => {
  const room = at.top - at.head;
  return Math.min(STEEPEST, Math.max(0.08, room / ((reach + 1.2 * pitch) * at.wholeScale)));
};

const drawFeeder = (area, at, setup, place, line, look) => {
  const feeder = setup.feeders[place];
  const path = pathOf(at, feeder.geometry);
  const state = line.feeders[place];
  const blocked = blockedBy(feeder.insert_eye, line.t) >= 0;
  drawGuide(area, path, feeder, look.ink);
  for (const insert of state.inserts) drawInsert(area, path, insert, { ...look, mouth: pathStart(feeder) });
  drawGrip(area, at, path, feeder, state, look.ink);
  const clear = Math.abs(path.point(pathStart(feeder))[0] - at.x(0)) > 90; // of the carrier eye's name
  drawMagazine(area, path, feeder, { ink: look.ink, named: look.named && clear && -pathStart(feeder) * at.scale > 150 });
  drawInsertEye(area, path, blocked, look.ink);
  drawPlaces(area, at, path, feeder, { ...look, blocked, end: nextMagazine(at, setup, feeder) });
  drawClutch(area, path, feeder, state, look);
  for (const insert of state.inserts) if (insert.stray && !insert.landed) drawStray(area, path, insert, look);
};

const pathStart = (feeder) => -1.2 * feeder.geometry.insert_pitch_mm;

const drawGuide = ({ pen }, path, feeder, ink) => {
  stroke(pen, ink.soft, 1.5, [path.point(pathStart(feeder), -1), path.point(path.reach - 1e-6, -1)]);
};

/** The stack that inserts come from; its place is not part of the model. */
const drawMagazine = ({ pen }, path, feeder, { ink, named }) => {
  const s = pathStart(feeder);
  const [a, b] = [path.point(s, -7), path.point(s, 30)];
  const [c, d] = [path.point(s, 30), path.point(s, -7)];
  const back = 26;
  fillShape(pen, ink.paper, [a, b, [c[0] - back, c[1] - 8], [d[0] - back, d[1] - 8]]);
  stroke(pen, ink.ink, 1.4, [a, b, [c[0] - back, c[1] - 8], [d[0] - back, d[1] - 8], a]);
  if (named) write(pen, "magazine", c[0] - back / 2, c[1] - 16, { font: SMALL, colour: ink.soft, align: "center", line: "middle" });
  for (let i = 1; i < 6; i++) {
    const [x, y] = path.point(s, -7 + i * 6);
    stroke(pen, ink.soft, 1, [[x, y], [x - back, y - 8]]);
  }
};

/** What moves the inserts, up to the grip end; its marks run with the feed. */
const drawGrip = ({ pen }, at, path, feeder, { travel_mm, engagement }, ink) => {
  const [from, to] = [pathStart(feeder) + 0.05 * feeder.geometry.insert_pitch_mm, feeder.geometry.grip_end_mm];
  const corners = [path.point(from, 9), path.point(to, 9), path.point(to, 17), path.point(from, 17)];
  fillShape(pen, engagement > 0 ? ink.clutch : ink.paper, corners);
  stroke(pen, ink.ink, 1.2, [...corners, corners[0]]);
  const step = 20 * Math.max(1, Math.ceil(9 / (20 * at.scale)));
  for (let s = Math.ceil((from - travel_mm) / step) * step + travel_mm; s < to; s += step)
    stroke(pen, ink.ink, 1, [path.point(s, 10), path.point(Math.min(to, s + 3 / at.scale), 13), path.point(s, 16)]);
};

/** An insert: solid once a clutch has closed for it, pale before, dashed where it strays. */
const drawInsert = ({ pen }, path, insert, { ink, mouth }) => {
  const parts = Number.isNaN(insert.double_mm)
    ? [[0, insert.length_mm, 0]]
    : [[0, insert.length_mm - insert.double_mm, 0], [insert.double_mm, insert.length_mm, THICK]];
  for (const [from, to, lift] of parts)
    drawPlate(pen, path, [Math.max(mouth, insert.nose_mm - to), insert.nose_mm - from], { insert, ink, lift });
  if (insert.landed || insert.stray) return;
  const [x, y] = path.point(Math.max(mouth, insert.nose_mm - insert.length_mm / 2), -13);
  write(pen, `${insert.number}`, x, y, { font: SMALL, colour: ink.insert, align: "center", line: "middle" });
};

/** A stray by its name, and its path: past its eye with the feed, then over the belt. */
const drawStray = ({ pen }, path, insert, { ink }) => {
  const { nose_mm: nose, length_mm: length } = insert;
  const along = (...places) => places.map((s) => path.point(s, THICK / 2 + 0.5));
  const [tail, end] = [nose - length, Math.max(nose, path.reach) + 0.7 * length];
  if (tail > 0) stroke(pen, ink.bad, 1.8, along(0, Math.min(tail, path.reach), tail), [4, 3]);
  if (nose > 0) drawArrow(pen, along(nose, Math.max(nose, path.reach), end), ink.bad);
  const [x, y] = path.point(nose - length, 30);
  write(pen, `stray ${insert.number}`, x - 6, y, { font: BOLD, colour: ink.bad, align: "right", line: "middle", back: ink.paper });
};

const drawPlate = (pen, path, [tail, nose], { insert, ink, lift }) => {
  const off = THICK / 2 + 0.5 + lift;
  const points = [path.point(tail, off), path.point(nose, off)];
  if (nose <= tail) return;
  if (tail < path.reach && nose > path.reach) points.splice(1, 0, path.point(path.reach, off));
  pen.lineJoin = "round";
  stroke(pen, insert.stray ? ink.bad : ink.insert, THICK, points, insert.stray ? [7, 4] : null);
  if (!insert.landed && !insert.stray && insert.pale) stroke(pen, ink["insert-pale"], THICK - 2.4, points);
  pen.lineJoin = "miter";
};

const drawInsertEye = ({ pen }, path, blocked, ink) => {
  const [x, y] = path.point(0, 40);
  drawBeam(pen, [path.point(0, 31), path.point(0, blocked ? 6 : -5)], blocked, ink);
  drawEyeHead(pen, x, y, blocked, ink);
};

/** The places on the path that matter, from its eye down; `brief` where there is little room. */
const placesOf = (g, eye) =>
  [
    { s: 0, name: `insert eye ${eye}`, brief: `eye ${eye}` },
    { s: g.stage_position_mm, name: "stage position", brief: "stage", dash: [2, 2] },
    { s: g.nose_limit_mm, name: "nose limit", brief: "nose limit", heavy: true },
    { s: g.grip_end_mm, name: "grip end", brief: "grip end" },
    { s: g.insert_eye_to_placement_mm, name: "placement point", brief: "placement" },
  ].sort((a, b) => a.s - b.s);

/** Where the magazine of the next feeder downstream begins, in pixels. */
const nextMagazine = (at, setup, feeder) => {
  const way = feeder.geometry.eye_to_placement_mm;
  const starts = setup.feeders
    .filter((other) => other.geometry.eye_to_placement_mm > way)
    .map((other) => pathOf(at, other.geometry).point(pathStart(other))[0] - 34);
  return Math.min(Infinity, ...starts);
};

/** Ticks of the places that matter, with their names in a column beside the placement point; none where the carrier eye has its own. */
const drawPlaces = ({ pen, width }, at, path, feeder, { ink, inUnits, blocked, narrow, named, alone, end, taken }) => {
  const places = placesOf(feeder.geometry, blocked ? "blocked" : "clear");
  for (const place of places) {
    if (!place.s) {
      place.from = path.point(0, 48);
      continue;
    }
    place.from = path.point(Math.min(place.s, path.reach - 1e-6), place.heavy ? 20 : 24);
    const foot = path.point(Math.min(place.s, path.reach - 1e-6), -7);
    stroke(pen, ink.ink, place.heavy ? 2.6 : 1.2, [foot, place.from], place.dash);
  }
  const [endX] = path.point(path.reach);
  const gap = narrow ? 13 : 15;
  if (!named || endX > width + 14 || endX < -226) return;
  let y = at.top - 22 - gap * (places.length - 1);
  const levels = [
    places.map(({ s, name }) => (s ? `${name} ${inUnits.short(s)}` : name)),
    places.map(({ s, brief }) => (s ? `${brief} ${inUnits.short(s)}` : brief)),
    places.map(({ brief }) => brief),
  ];
  const widest = (texts) => Math.max(...texts.map((text) => widthOf(pen, text, BOLD_SMALL)));
  const edge = Math.min(end, width - 4);
  const fits = ([away, level]) => endX + away + widest(level) < edge;
  const ways = levels.flatMap((level) => [[26, level], [10, level]]);
  const [away, texts] = ways.find(fits) ?? ways.at(-1);
  const columnAt = (left) => ({ left, right: left + widest(texts) + 4, top: y - 8, bottom: at.top - 14 });
  const columns = [columnAt(Math.max(0, Math.min(endX + away, edge - widest(texts)) - 4))];
  if (alone) columns.push(columnAt(Math.min(endX + 6, width - 8 - widest(texts)))); // over the next feeder
  const column = columns.find((one) => !taken.some((box) => overlap(box, one)));
  if (!column) return;
  taken.push(column);
  const left = column.left + 4;
  places.forEach(({ s, from }, i) => {
    stroke(pen, ink.faint, 1, [from, [left - 4, y]]);
    const font = s ? SMALL : BOLD_SMALL;
    write(pen, texts[i], left, y, { font, colour: ink.ink, line: "middle", back: ink.paper });
    y += gap;
  });
  stroke(pen, ink.soft, 1, [[endX, at.belt + 6], [endX, at.belt + 42]], [3, 3]);
};

/** The clutch between master and feed: two discs, apart while open, together while closed. */
const drawClutch = ({ pen, width }, path, feeder, state, { ink, narrow, named, taken }) => {
  const [x, y] = path.point(pathStart(feeder) * 0.4, narrow ? 34 : 52);
  const gap = 9 * (1 - state.engagement);
  const half = narrow ? 8 : 12;
  stroke(pen, ink.ink, 2, [[x - 22, y], [x - gap / 2 - 4, y]]);
  stroke(pen, ink.ink, 2, [[x + gap / 2 + 4, y], [x + 22, y]]);
  pen.fillStyle = state.engagement > 0 ? ink.clutch : ink.paper;
  pen.strokeStyle = ink.ink;
  pen.lineWidth = 1.4;
  for (const left of [x - gap / 2 - 4, x + gap / 2]) {
    pen.fillRect(left, y - half, 4, 2 * half);
    pen.strokeRect(left, y - half, 4, 2 * half);
  }
  if (!named) return;
  const words = clutchWords(state);
  const share = words === "open" || words === "closed" ? "" : ` ${Math.round(100 * state.engagement)} %`;
  const [low, high] = between(taken, x, y - half - 6);
  const text = fitting(pen, [`clutch ${words}${share}`, `${words}${share}`, words, ""], high - low, BOLD);
  const wide = widthOf(pen, text, BOLD) / 2;
  const middle = Math.max(low + wide, Math.min(high - wide, x));
  if (text) write(pen, text, middle, y - half - 6, { font: BOLD, colour: ink.ink, align: "center", back: ink.paper });
  if (feeder.title && width > 500) write(pen, feeder.title, x, y - half - 21, { colour: ink.ink, align: "center", back: ink.paper });
};

const overlap = (one, other) =>
  one.left < other.right && other.left < one.right && one.top < other.bottom && other.top < one.bottom;

/** The free range around x for a line of text at y. */
const between = (boxes, x, y) => {
  const beside = boxes.filter((box) => box.top < y + 4 && box.bottom > y - 12);
  const before = beside.filter(({ left, right }) => left + right < 2 * x).map(({ right }) => right + 7);
  const after = beside.filter(({ left, right }) => left + right >= 2 * x).map(({ left }) => left - 7);
  return [Math.max(-Infinity, ...before), Math.min(Infinity, ...after)];
};
