// The picture of one setup at an instant, and what was last drawn in it.

const NOTE_PERIODS = 0.8; // of the time between carriers, that a note stays
const NOTE_TOP = 4;
const ROOM_OF_NAMES = 360; // px that each feeder needs; where there is less, only the one looked at has names

const drawPicture = (area, setup, { clock, view, feeder: looked, chosen, words, inUnits, ink, withDistances }) => {
  const { pen, width, height } = area;
  const t = runTime(setup, clock);
  const line = lineAt(setup, t);
  const at = layoutOf(area, view, { withDistances, feeders: setup.feeders.length });
  pen.fillStyle = ink.paper;
  pen.fillRect(0, 0, width, height);
  const look = { ink, words, inUnits, chosen, narrow: at.narrow, taken: [carrierEyeName(area, at)] };
  drawBelt(area, at, line, ink);
  drawCarriers(area, at, setup, line, ink, chosen);
  const alone = width <= ROOM_OF_NAMES * setup.feeders.length;
  const places = [...setup.feeders.keys()].filter((place) => place !== looked || !alone);
  if (alone) places.push(looked); // last, so that its names stand over the others
  for (const place of places) {
    const feeder = setup.feeders[place];
    for (const insert of line.feeders[place].inserts)
      insert.pale = !(t >= feeder.inserts.closes_s[insert.place]);
    drawFeeder(area, at, setup, place, line, { ...look, alone, named: place === looked || !alone });
  }
  drawTargets(area, at, setup, line, ink);
  drawCarrierEye(area, at, setup, line, ink);
  drawGate(area, at, setup, line, ink);
  labelCarriers(area, at, setup, line, look);
  if (withDistances) drawDistances(area, at, inUnits, ink);
  if (stopAt(setup, t)) drawStanding(area, setup, t, look);
  else setup.feeders.forEach((_, place) => drawNote(area, at, setup, place, line, look));
  drawEnd(area, setup, clock, ink);
  return { ...line, scale: at.scale, left_mm: at.left, top: at.top };
};

/** The last miss or hazard of a feeder, shown for a while after it happened. */
const drawNote = ({ pen, width }, at, setup, place, line, { ink, words, inUnits }) => {
  const { happenings } = setup;
  const patience = (NOTE_PERIODS * setup.carrier_pitch_mm) / setup.line_speed_mm_s;
  for (let i = countUpTo(happenings.time_s, line.t + SAME_INSTANT) - 1; i >= 0; i--) {
    if (happenings.time_s[i] < line.t - patience) return;
    const owner = happenings.feeder[i];
    if (owner !== place && !(owner < 0 && place === 0)) continue;
    const [kind, name] = happenings.names[happenings.what[i]];
    const text = happeningWords({ kind, name, carrier: happenings.carrier[i], margin: happenings.margin[i] }, words, inUnits);
    const half = widthOf(pen, text, BOLD) / 2 + 18;
    const right = setup.gate ? Math.min(width - 4, at.x(setup.gate.at_mm) - 48) : width - 4; // clear of the gate's name
    const x = Math.max(half + 4, Math.min(right - half, at.x(setup.feeders[place].geometry.eye_to_placement_mm)));
    pen.fillStyle = ink.paper;
    pen.fillRect(x - half, NOTE_TOP, 2 * half, 22);
    pen.strokeStyle = kind === "hazard" ? ink.warn : ink.bad;
    pen.lineWidth = 2;
    pen.strokeRect(x - half, NOTE_TOP, 2 * half, 22);
    SIGNS[kind](pen, x - half + 12, NOTE_TOP + 11, ink);
    write(pen, text, x + 8, NOTE_TOP + 11, { font: BOLD, colour: ink.ink, align: "center", line: "middle" });
    return;
  }
};

const happeningWords = ({ kind, name, carrier, margin }, words, inUnits) => {
  const whose = carrier >= 0 ? `carrier ${carrier}` : "line";
  if (kind === "miss") return `${whose} missed: ${words.causes[name] ?? name}`;
  if (kind === "outside") return `${whose} out of tolerance: ${inUnits.length(margin, { sign: true })}`;
  if (kind === "stop") return `line stops: ${name.replaceAll("_", " ")}${carrier >= 0 ? `, carrier ${carrier}` : ""}`;
  if (kind === "difference") return `${whose} turns out differently`;
  const unit = words.margins[name];
  const shown = Number.isFinite(margin) && unit ? `, margin ${inUnits.margin(margin, unit)}` : "";
  return `${whose}: ${words.hazards[name] ?? name}${shown}`;
};

/** Say so before the chosen stretch begins and after it ends: the picture then stands still. */
const drawEnd = ({ pen, width }, setup, clock, ink) => {
  const beyond = beyondStretch(setup, clock);
  if (!beyond) return;
  const text = beyond < 0 ? "the chosen carriers have not arrived yet" : "the chosen carriers have passed";
  write(pen, text, width - 12, NOTE_TOP + 14, { font: BOLD, colour: ink.ink, align: "right", back: ink.grid });
};
