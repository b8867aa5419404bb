// The divert gate: a flap in the belt that opens for carriers that are known to be bad.

/** Whether a carrier has been taken off the line: diverted, and its leading edge at the gate. */
const isOff = (setup, { row, x_mm }) =>
  setup.gate !== null && setup.gate.diverted[row] === 1 && x_mm >= setup.gate.at_mm;

/** Whether the gate is open: a carrier to be diverted is at it or about to reach it. */
const gateIsOpen = (setup, line) => {
  const { at_mm, decide_before_mm, diverted } = setup.gate;
  const length = setup.carrier_length_mm;
  return line.carriers.some(
    ({ row, x_mm }) => diverted[row] === 1 && x_mm >= at_mm - decide_before_mm && x_mm <= at_mm + length,
  );
};

const drawGate = ({ pen }, at, setup, line, ink) => {
  if (setup.gate === null) return;
  const x = at.x(setup.gate.at_mm);
  const open = gateIsOpen(setup, line);
  const flap = open ? [x + 26, at.belt + 16] : [x + 30, at.belt + 3];
  stroke(pen, open ? ink.bad : ink.ink, 3, [[x, at.belt + 3], flap]);
  // its line keeps clear of the names beside the last feeder's placement point; its own name stands above them
  const name = Math.max(11, at.top - 116);
  stroke(pen, ink.ink, 1.6, [[x, at.belt + 8], [x, at.top - 14]], [2, 3]);
  stroke(pen, ink.ink, 1.6, [[x, name + 22], [x, name + 30]], [2, 3]);
  const state = open ? "open" : "closed";
  write(pen, "divert gate", x, name, { font: BOLD, colour: ink.ink, align: "center", back: ink.paper });
  write(pen, state, x, name + 14, { colour: open ? ink.bad : ink.ink, align: "center", back: ink.paper });
};

/** What the gate knows of a carrier so far, labelled like a feeder's result. */
const gateLabel = (setup, row, t) => {
  const { gate } = setup;
  if (gate === null || !(gate.known_s[row] <= t)) return null;
  const why = gate.words[gate.known[row]];
  const text = gate.diverted[row] === 1 ? "to divert" : "known too late to divert";
  return { texts: [`↓ ${text}: ${why}`, `↓ ${text}`, "↓"], bad: true };
};
