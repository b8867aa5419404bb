// The line from the side: belt, carriers, carrier eye, distances. Lengths along it are to scale.

const PLATE = 10; // drawn thickness of a carrier, and of an insert below: not to scale
const CLEAT_MM = 50;
const OUTSIDE = "⇥"; // placed, but out of tolerance

/** Where things stand in a picture of this size, in pixels. */
const layoutOf = (area, view, { withDistances, feeders }) => {
  const scale = area.width / view.span;
  const narrow = area.height < 200 || area.width < 500;
  const below = (narrow ? 40 : 52) + (withDistances ? (narrow ? 18 : 26) : 0);
  const belt = Math.round(area.height - below);
  return {
    scale,
    wholeScale: area.width / view.wholeSpan,
    belt,
    top: belt - PLATE,
    x: (mm) => (mm - view.left) * scale,
    left: view.left,
    right: view.left + view.span,
    narrow,
    head: narrow ? 54 : feeders > 1 ? 112 : 98, // above a feeder, for its names
  };
};

const drawBelt = ({ pen, width }, at, { travel_mm }, ink) => {
  pen.fillStyle = ink.belt;
  pen.fillRect(0, at.belt, width, 6);
  const step = CLEAT_MM * Math.max(1, Math.ceil(12 / (CLEAT_MM * at.scale)));
  const first = Math.ceil((at.left - travel_mm) / step) * step + travel_mm;
  pen.fillStyle = ink.paper;
  for (let x = first; x < at.right; x += step) pen.fillRect(at.x(x) - 1, at.belt + 1, 2, 4);
};

const drawDistances = ({ pen, width, height }, at, inUnits, ink) => {
  const y = height - 17;
  const unit = inUnits.units.length;
  const step = roundStep(((width > 600 ? 90 : 56) / at.scale) * unit.factor) / unit.factor;
  stroke(pen, ink.soft, 1, [[0, y], [width, y]]);
  const zero = width > 600 ? `0 ${unit.label} at the carrier eye` : `0 ${unit.label}`;
  const clear = widthOf(pen, zero, SMALL) / 2 + 8;
  for (let n = Math.ceil(at.left / step); n * step <= at.right; n++) {
    const x = at.x(n * step);
    stroke(pen, ink.soft, 1, [[x, y], [x, y + 4]]);
    const text = n ? `${Number((n * step * unit.factor).toPrecision(6))}`.replace("-", MINUS) : zero;
    const half = widthOf(pen, text, SMALL) / 2;
    const isFree = n === 0 || Math.abs(x - at.x(0)) > clear + half;
    if (isFree && x > half + 2 && x < width - half - 2)
      write(pen, text, x, y + 15, { font: SMALL, colour: ink.soft, align: "center" });
  }
};

const drawCarriers = ({ pen }, at, setup, line, ink, chosen) => {
  const length = setup.carrier_length_mm * at.scale;
  for (const { row, number, x_mm } of line.carriers) {
    const nose = at.x(x_mm);
    if (nose < -5 || nose - length > (at.right - at.left) * at.scale + 5) continue;
    const isChosen = number === chosen;
    const missed = setup.feeders.some(
      (f) => f.rows.outcome[row] !== PLACED && f.rows.missed_s[row] <= line.t,
    );
    const off = isOff(setup, { row, x_mm });
    pen.fillStyle = off ? ink.paper : ink.carrier;
    pen.fillRect(nose - length, at.top, length, PLATE);
    pen.strokeStyle = isChosen ? ink.ink : ink["carrier-edge"];
    pen.lineWidth = isChosen ? 2 : 1.2;
    if (missed || off) pen.setLineDash(off ? [1, 5] : [4, 3]);
    pen.strokeRect(nose - length, at.top + 0.5, length, PLATE - 1);
    pen.setLineDash([]);
  }
};

/** Where inserts belong: a mark on each carrier, its tip where the leading edge should land. */
const drawTargets = ({ pen, width }, at, setup, line, ink) => {
  const y = at.top - 1;
  for (const { x_mm } of line.carriers) {
    for (const { geometry } of setup.feeders) {
      const x = at.x(x_mm - geometry.target_offset_mm);
      if (x < -6 || x > width + 6) continue;
      const points = [[x, y], [x - 5, y - 12], [x + 5, y - 12], [x, y]];
      fillShape(pen, ink.paper, points);
      stroke(pen, ink.target, 1.6, points);
    }
  }
};

const labelCarriers = ({ pen, width }, at, setup, line, { ink, words, inUnits, chosen }) => {
  const length = setup.carrier_length_mm * at.scale;
  for (const { row, number, x_mm } of line.carriers) {
    const nose = at.x(x_mm);
    const [from, to] = [Math.max(0, nose - length), Math.min(width, nose)];
    if (to - from < 24) continue;
    const middle = (from + to) / 2;
    const font = number === chosen ? BOLD : FONT;
    const name = fitting(pen, [`carrier ${number}`, `${number}`], to - from, font);
    write(pen, name, middle, at.belt + 21, { font, colour: ink.ink, align: "center", back: ink.paper });
    const results = setup.feeders.map((f) => resultLabel(f, row, line.t, { words, inUnits })).filter((r) => r);
    const diverted = gateLabel(setup, row, line.t);
    if (diverted) results.push(diverted);
    if (!results.length) continue;
    const beside = 0.4 * (setup.carrier_pitch_mm - setup.carrier_length_mm) * at.scale;
    const [low, high] = [Math.max(2, from - beside), Math.min(width - 2, to + beside)];
    const text = fitting(pen, [0, 1, 2].map((level) => results.map((r) => r.texts[level]).join("  ")), high - low, SMALL);
    const bad = results.some((r) => r.bad);
    const half = widthOf(pen, text, SMALL) / 2;
    write(pen, text, Math.max(low + half, Math.min(high - half, middle)), at.belt + 35, { font: SMALL, colour: bad ? ink.bad : ink.ink, align: "center", back: ink.paper });
  }
};

/** What became of a carrier at a feeder so far: in words, fewer words, and as a sign. */
const resultLabel = (feeder, row, t, { words, inUnits }) => {
  if (!(decidedAt(feeder, row) <= t)) return null;
  const outcome = feeder.rows.outcome[row];
  if (outcome !== PLACED) {
    const cause = words.outcomes[outcome];
    return { texts: [`✕ missed: ${cause}`, `✕ ${cause}`, "✕"], bad: true };
  }
  const { factor, label, places } = inUnits.units.length;
  const error = fixed(feeder.rows.placement_error_mm[row] * factor, places - 1, { sign: true });
  const off = feeder.rows.outside[row] === 1;
  const sign = off ? OUTSIDE : "✓";
  return { texts: [`${sign} ${error} ${label}`, `${sign} ${error}`, sign], bad: off };
};

const fitting = (pen, texts, room, font) =>
  texts.find((text) => widthOf(pen, text, font) <= room) ?? texts.at(-1);

const eyeHead = (at) => at.belt - (at.narrow ? 52 : 74);

/** Where to write the name of the carrier eye and what it sees. */
const carrierEyeName = ({ pen }, at) => {
  const half = widthOf(pen, "carrier eye", BOLD) / 2;
  return { left: at.x(0) - half, right: at.x(0) + half, top: eyeHead(at) - 38, bottom: eyeHead(at) - 8 };
};

/** A photo-eye over the belt: its lamp is filled and its beam ends on the card while blocked. */
const drawCarrierEye = ({ pen }, at, setup, line, ink) => {
  const x = at.x(0);
  const number = blockedBy(setup.carrier_eye, line.t);
  const blocked = number >= 0;
  const head = eyeHead(at);
  drawBeam(pen, [[x, head + 9], [x, blocked ? at.top : at.belt]], blocked, ink);
  drawEyeHead(pen, x, head, blocked, ink);
  write(pen, blocked ? "blocked" : "clear", x, head - 12, { colour: ink.ink, align: "center", back: ink.paper });
  write(pen, "carrier eye", x, head - 26, { font: BOLD, colour: ink.ink, align: "center", back: ink.paper });
};

const drawBeam = (pen, points, blocked, ink) =>
  stroke(pen, blocked ? ink.blocked : ink.soft, blocked ? 3 : 1.4, points, blocked ? null : [5, 4]);

const drawEyeHead = (pen, x, y, blocked, ink) => {
  pen.fillStyle = ink.paper;
  pen.strokeStyle = ink.ink;
  pen.lineWidth = 1.6;
  pen.fillRect(x - 8, y - 8, 16, 16);
  pen.strokeRect(x - 8, y - 8, 16, 16);
  pen.beginPath();
  pen.arc(x, y, 4.5, 0, 2 * Math.PI);
  if (blocked) {
    pen.fillStyle = ink.blocked;
    pen.fill();
  }
  pen.lineWidth = 1.4;
  pen.stroke();
};
