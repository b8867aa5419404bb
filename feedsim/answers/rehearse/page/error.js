// Where one carrier's placement error comes from: its landing, dimensioned, and the parts in turn.

const SIDE_BY_SIDE = 620; // px, from which the landing and its parts stand beside each other
const NARROWEST = 480; // px, from which they do so where there is no height for one above the other
const STACKED = 240;
const NOTHING_MM = 5e-4;

/** The parts of a placement error that matter, in the order in which they arise; null where there are none. */
const errorParts = (feeder, row) => {
  const { carriers, names, error_mm } = feeder.parts;
  const at = feeder.first + row;
  const place = lastUpTo(carriers, at);
  if (carriers[place] !== at) return null;
  return names
    .map((name, k) => ({ name, mm: error_mm[place * names.length + k] }))
    .filter(({ mm }) => Math.abs(mm) > NOTHING_MM);
};

/** The largest parts, as many as there are bars, in their order; the last bar is all others together. */
const largest = (parts, room, error) => {
  const most = parts.length > room ? Math.max(1, room - 1) : room;
  const kept = new Set([...parts].sort((a, b) => Math.abs(b.mm) - Math.abs(a.mm)).slice(0, most));
  const shown = parts.filter((part) => kept.has(part));
  const rest = error - shown.reduce((sum, { mm }) => sum + mm, 0);
  const others = parts.length - shown.length;
  if (Math.abs(rest) > NOTHING_MM) shown.push({ name: others === 1 ? "1 smaller part" : `${others} smaller parts`, mm: rest });
  return shown;
};

/** A landing as known at time t of the run: its error and parts, or why there are none. */
const landingOf = (setup, place, carrier, t) => {
  const row = rowOf(setup, carrier);
  const feeder = setup.feeders[place];
  if (row < 0) return { why: "is not in this picture" };
  const { rows } = feeder;
  if (!(decidedAt(feeder, row) <= t)) return { why: "has no insert yet" };
  if (rows.outcome[row] !== PLACED) return { why: "was missed: no insert landed on it" };
  const mm = rows.placement_error_mm[row];
  const parts = errorParts(feeder, row);
  const told = carrier in feeder.reasons;
  const silence = told ? "The line was disturbed: the parts are not worked out." : notTold(carrier);
  return { mm, outside: rows.outside[row] === 1, parts, silence };
};

const lateWords = (mm, inUnits) =>
  Math.abs(mm) < NOTHING_MM ? "on target" : `${inUnits.length(Math.abs(mm))} ${mm > 0 ? "late" : "early"}`;

/** Each setup's landing and its parts, one below the other. */
const drawError = (area, setups, { carrier, times, placeOf, inUnits, ink }) => {
  const { pen, width, height } = area;
  pen.fillStyle = ink.paper;
  pen.fillRect(0, 0, width, height);
  const each = height / setups.length;
  return setups.map((setup, i) => {
    const landing = landingOf(setup, placeOf(setup), carrier, times[i]);
    const name = `${setups.length > 1 ? `${"AB"[i]}: ` : ""}carrier ${carrier}`;
    const box = { left: 10, right: width - 10, top: i * each + 6, bottom: (i + 1) * each - 6 };
    if (landing.why) {
      write(pen, `${name} ${landing.why}`, box.left, box.top + 9, { font: BOLD, colour: ink.ink, line: "middle" });
      drawErrorsSoFar(pen, box, setup, { place: placeOf(setup), carrier, t: times[i], inUnits, ink });
      return { ...landing, bars: [] };
    }
    const wide = box.right - box.left;
    const beside = wide > (box.bottom - box.top < STACKED ? NARROWEST : SIDE_BY_SIDE);
    const gap = beside ? 24 : 12;
    const right = beside ? box.left + 0.46 * wide : box.right;
    const middle = Math.min(box.top + 150, box.top + 0.45 * (box.bottom - box.top));
    const geometry = setup.feeders[placeOf(setup)].geometry;
    drawLanding(pen, { ...box, right, bottom: beside ? box.bottom : middle }, { name, landing, setup, geometry, inUnits, ink });
    const rest = beside ? { ...box, left: right + gap } : { ...box, top: middle + gap };
    return { ...landing, bars: drawParts(pen, rest, landing, { setup, inUnits, ink }) };
  });
};

const MOST_ERRORS = 60;

/** Where no insert has landed: the errors of the carriers up to this one, within the tolerance. */
const drawErrorsSoFar = (pen, { left, right, top, bottom }, setup, { place, carrier, t, inUnits, ink }) => {
  const feeder = setup.feeders[place];
  const { outcome, placement_error_mm: errors, outside } = feeder.rows;
  const last = Math.min(outcome.length - 1, carrier - feeder.first);
  const rows = [];
  for (let row = last; row >= 0 && rows.length < MOST_ERRORS; row--) if (decidedAt(feeder, row) <= t) rows.unshift(row);
  const most = 1.1 * Math.max(setup.tolerance_mm, ...rows.filter((row) => outcome[row] === PLACED).map((row) => Math.abs(errors[row])));
  const [high, low] = [top + 26, bottom - 16];
  const y = (mm) => (high + low) / 2 - (mm / most) * ((low - high) / 2);
  const [from, to] = [left + 64, right - 8];
  for (const [mm, colour] of [[setup.tolerance_mm, ink.good], [0, ink.soft], [-setup.tolerance_mm, ink.good]]) {
    stroke(pen, colour, 1.2, [[from, y(mm)], [to, y(mm)]], mm ? [5, 3] : null);
    const apart = y(0) - y(setup.tolerance_mm) > 12;
    const text = mm ? apart && `${mm > 0 ? "+" : MINUS}${inUnits.short(Math.abs(mm))}` : apart ? "on target" : `± ${inUnits.short(setup.tolerance_mm)}`;
    if (text) write(pen, text, from - 6, y(mm), { font: SMALL, colour, align: "right", line: "middle" });
  }
  rows.forEach((row, i) => {
    const x = to - (rows.length - i - 0.5) * Math.min(24, (to - from) / rows.length);
    if (outcome[row] !== PLACED) SIGNS.miss(pen, x, y(0), ink);
    else if (outside[row]) SIGNS.outside(pen, x, y(errors[row]), ink);
    else fillShape(pen, ink.insert, [[x, y(errors[row]) - 4], [x + 4, y(errors[row])], [x, y(errors[row]) + 4], [x - 4, y(errors[row])]]);
  });
  const said = rows.length ? `errors of carriers ${feeder.first + rows[0]} to ${feeder.first + rows.at(-1)}; above 0: late` : "no earlier one in this picture";
  write(pen, said, to, bottom - 4, { font: SMALL, colour: ink.soft, align: "right", line: "middle" });
};

/** A dimension line between two places: arrows inside, or outside where there is no room. */
const drawDimension = (pen, [a, b], y, { colour }) => {
  const [from, to] = a < b ? [a, b] : [b, a];
  const inside = to - from > 22;
  stroke(pen, colour, 1.2, inside ? [[from, y], [to, y]] : [[from - 16, y], [to + 16, y]]);
  for (const [x, way] of [[from, inside ? 1 : -1], [to, inside ? -1 : 1]])
    fillShape(pen, colour, [[x, y], [x + way * 7, y - 3], [x + way * 7, y + 3]]);
};

const drawBreak = (pen, x, [top, bottom], ink) => {
  const points = [[x - 2, top], [x + 3, top + 0.4 * (bottom - top)], [x - 3, top + 0.6 * (bottom - top)], [x + 2, bottom]];
  fillShape(pen, ink.paper, [...points.map(([px, y]) => [px + 3, y]), ...points.map(([px, y]) => [px - 3, y]).reverse()]);
  for (const off of [-3, 3]) stroke(pen, ink.soft, 1, points.map(([px, y]) => [px + off, y]));
};

/** The landing from the side, to scale along the belt but for the breaks: late is left, where the belt comes from. */
const drawLanding = (pen, box, { name, landing, setup, geometry, inUnits, ink }) => {
  const { left, right, top, bottom } = box;
  const bad = landing.outside ? ink.bad : ink.ink;
  const said = `${name}: ${lateWords(landing.mm, inUnits)}${landing.outside ? `, ${OUTSIDE} out of tolerance` : ""}`;
  write(pen, fitting(pen, [said, said.replace(/^carrier /, "")], right - left, BOLD), left, top + 9, { font: BOLD, colour: bad, line: "middle" });
  const tolerance = setup.tolerance_mm;
  const view = 1.12 * Math.max(tolerance, Math.abs(landing.mm));
  const target = left + 0.47 * (right - left);
  const scale = (0.36 * (right - left)) / view;
  const nose = target - landing.mm * scale;
  const edge = target + geometry.target_offset_mm * scale;
  const isNear = edge < right - 14;
  const carrierEnd = isNear ? edge : right - 14;
  const room = bottom - top;
  const plate = top + 0.66 * room;
  const [low, high] = [target - tolerance * scale, target + tolerance * scale];
  pen.globalAlpha = 0.14;
  pen.fillStyle = ink.good;
  pen.fillRect(low, top + 24, high - low, plate - top - 24);
  pen.globalAlpha = 1;
  for (const x of [low, high]) stroke(pen, ink.good, 1.2, [[x, top + 24], [x, plate + 26]], [5, 3]);
  // the insert on its carrier
  pen.fillStyle = ink.carrier;
  pen.fillRect(left, plate, carrierEnd - left, 12);
  stroke(pen, ink["carrier-edge"], 1.2, [[left, plate], [carrierEnd, plate], [carrierEnd, plate + 12], [left, plate + 12]]);
  pen.fillStyle = ink.insert;
  pen.fillRect(left, plate - 9, nose - left, 8);
  drawBreak(pen, left + 10, [plate - 12, plate + 15], ink);
  if (!isNear) drawBreak(pen, right - 40, [plate - 3, plate + 15], ink);
  write(pen, "insert", left + 24, plate - 17, { font: SMALL, colour: ink.insert, line: "middle", back: ink.paper });
  write(pen, "carrier", left + 24, plate + 6.5, { font: SMALL, colour: ink.ink, line: "middle" });
  // the target, the error, the tolerance
  stroke(pen, ink.target, 1.6, [[target, top + 24], [target, plate + 26]]);
  fillShape(pen, ink.target, [[target, plate - 1], [target - 4, plate - 9], [target + 4, plate - 9]]);
  stroke(pen, bad, 1.2, [[nose, top + 30], [nose, plate]]);
  const y = top + 36;
  drawDimension(pen, [target, nose], y, { colour: bad });
  const text = inUnits.length(landing.mm, { sign: true });
  const beyond = Math.max(target, nose) + (Math.abs(nose - target) > 22 ? 6 : 22);
  write(pen, text, beyond, y, { font: BOLD, colour: bad, line: "middle", back: ink.paper });
  const under = plate + 22;
  drawDimension(pen, [low, high], under, { colour: ink.good });
  write(pen, `tolerance ± ${inUnits.short(tolerance)}`, target, under + 13, { font: SMALL, colour: ink.good, align: "center", line: "middle", back: ink.paper });
  drawDimension(pen, [target, carrierEnd], plate + 6, { colour: ink["carrier-edge"] });
  const look = { font: SMALL, colour: ink["carrier-edge"], align: "right", line: "middle", back: ink.paper };
  [inUnits.short(geometry.target_offset_mm), "to the edge"].forEach((words, i) => write(pen, words, right, under + 13 * i, look));
};

/** The parts as bars, each starting where the previous one ends; the last is their sum, the placement error. */
const drawParts = (pen, { left, right, top, bottom }, { mm, parts, silence }, { setup, inUnits, ink }) => {
  const unit = inUnits.units.length;
  write(pen, fitting(pen, [`What made it, ${unit.label} of belt; + late, − early`, `What made it, ${unit.label}; + late, − early`, `${unit.label}; + late, − early`], right - left, BOLD), left, top + 9, { font: BOLD, colour: ink.ink, line: "middle" });
  if (!parts) {
    wrapped(pen, silence, right - left, FONT).forEach((line, i) =>
      write(pen, line, left, top + 32 + 16 * i, { colour: ink.soft, line: "middle" }));
    return [];
  }
  const rows = Math.max(3, Math.floor((bottom - top - 22) / 13));
  const bars = [...largest(parts, rows - 1, mm), { name: "placement error", mm, whole: true }];
  const step = Math.min(18, (bottom - top - 22) / bars.length);
  const sums = [0];
  for (const bar of bars) sums.push(bar.whole ? bar.mm : sums.at(-1) + bar.mm);
  const [least, most] = [Math.min(...sums), Math.max(...sums)];
  const names = Math.min(0.56 * (right - left), Math.max(...bars.map(({ name }) => widthOf(pen, name, BOLD_SMALL))) + 8);
  const numbers = Math.max(...bars.map((bar) => widthOf(pen, fixed(bar.mm * unit.factor, unit.places, { sign: true }), BOLD))) + 8;
  const x = (value) => left + names + ((value - least) / (most - least || 1)) * (right - left - names - numbers);
  stroke(pen, ink.soft, 1, [[x(0), top + 20], [x(0), top + 22 + step * bars.length]]);
  bars.forEach((bar, i) => {
    const y = top + 22 + step * (i + 0.5);
    const from = bar.whole ? 0 : sums[i];
    const look = { font: bar.whole ? BOLD_SMALL : SMALL, colour: ink.ink, line: "middle" };
    const font = widthOf(pen, bar.name, look.font) > names - 8 ? TINY : look.font;
    write(pen, bar.name, left + names - 6, y, { ...look, font, align: "right" });
    const [a, b] = [x(from), x(from + bar.mm)].sort((one, other) => one - other);
    const box = [a, y - 0.34 * step, Math.max(1, b - a), 0.68 * step];
    // early bars are pale with an edge: they differ in grey too
    pen.fillStyle = bar.whole ? ink.ink : bar.mm > 0 ? ink.target : ink["insert-pale"];
    pen.fillRect(...box);
    pen.strokeStyle = ink.insert;
    pen.lineWidth = 1.2;
    if (!bar.whole && bar.mm < 0) pen.strokeRect(...box);
    if (i + 1 < bars.length) stroke(pen, ink.soft, 1, [[x(sums[i + 1]), y], [x(sums[i + 1]), y + step]]);
    write(pen, fixed(bar.mm * unit.factor, unit.places, { sign: true }), right, y, { ...look, align: "right" });
  });
  return bars;
};

/** The same in words, for screen readers. */
const errorWords = (landings, carrier, inUnits) =>
  landings
    .map(({ why, mm, outside, parts, silence, bars }, i) => {
      const name = `${landings.length > 1 ? `${"AB"[i]}: ` : ""}carrier ${carrier}`;
      if (why) return `${name} ${why}`;
      const told = bars.map((bar) => `${bar.name} ${inUnits.length(bar.mm, { sign: true })}`);
      return `${name}: placed ${lateWords(mm, inUnits)}${outside ? ", out of tolerance" : ""}; ${parts ? told.join(", ") : silence}`;
    })
    .join(". ");
