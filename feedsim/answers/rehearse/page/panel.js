// The numbers beside the picture: tables with a column per setup; only changed cells are written.

/** A table whose cells can be rewritten; rows: [label, cells, which are bad, do they differ]. */
const makeTable = (table, heads) => {
  const body = document.createElement("tbody");
  if (heads.length > 1) addHeads(table, heads);
  table.append(body);
  return (rows) => {
    while (body.rows.length > rows.length) body.deleteRow(-1);
    rows.forEach(([label, cells, bad, differs], i) => {
      const row = body.rows[i] ?? addRow(body, cells.length);
      setText(row.cells[0], label);
      row.classList.toggle("differs", differs);
      cells.forEach((cell, k) => {
        setText(row.cells[k + 1], cell);
        row.cells[k + 1].classList.toggle("bad", bad[k]);
      });
    });
  };
};

const addHeads = (table, heads) => {
  const row = table.createTHead().insertRow();
  row.insertCell();
  for (const text of heads) {
    const cell = document.createElement("th");
    cell.scope = "col";
    cell.textContent = text;
    row.append(cell);
  }
};

const addRow = (body, cells) => {
  const row = body.insertRow();
  const head = document.createElement("th");
  head.scope = "row";
  row.append(head);
  for (let i = 0; i < cells; i++) row.insertCell();
  return row;
};

const setText = (node, text) => {
  if (node.textContent !== text) node.textContent = text;
};

/** Put the same rows of several setups side by side, with a dash where a setup lacks a row. */
const sideBySide = (lists) => {
  const labels = [...new Set(lists.flatMap((rows) => rows.map(([label]) => label)))];
  return labels.map((label) => {
    const cells = lists.map((rows) => rows.find(([own]) => own === label));
    const texts = cells.map((row) => row?.[1] ?? "–");
    const differs = texts.some((text) => text !== texts[0]) && !ALWAYS_OTHERWISE.has(label);
    return [label, texts, cells.map((row) => Boolean(row?.[2])), differs];
  });
};

/** Rows that always differ between two lines on one clock, so that marking them says nothing. */
const ALWAYS_OTHERWISE = new Set(["time of the run", "encoder count", "virtual master"]);

const nowRows = (setup, place, line, { inUnits }) => {
  const state = line.feeders[place];
  const feeder = setup.feeders[place];
  const eye = blockedBy(setup.carrier_eye, line.t);
  const insertEye = blockedBy(feeder.insert_eye, line.t);
  const words = clutchWords(state);
  const share = words === "open" || words === "closed" ? "" : ` ${Math.round(100 * state.engagement)} %`;
  const waiting = marksWaiting(setup, feeder, line.t);
  return [
    ["time of the run", inUnits.seconds(line.t), false],
    ["belt speed", inUnits.speed(line.speed_mm_s), false],
    ["feed speed", inUnits.speed(state.speed_mm_s), false],
    setup.encoder.count_mm
      ? ["encoder count", fixed(line.reading, 0), false]
      : ["virtual master", inUnits.length(line.reading, { places: 1 }), false],
    ["carrier eye", eye < 0 ? "○ clear" : `● by ${eye}`, false],
    ["insert eye", insertEye < 0 ? "○ clear" : `● by ${insertEye}`, false],
    ["clutch", words + share, false],
    ["marks waiting", waiting.length < 3 ? waiting.join(", ") || "none" : `${waiting[0]} + ${waiting.length - 1} more`, false],
  ];
};

const totalRows = (setup, place, line, { words, inUnits }) => {
  const totals = totalsAt(setup.totals[place], line.t);
  const passed = setup.gone + countUpTo(setup.carriers.eye_time_s, line.t);
  const rows = [
    ["carriers at the eye", fixed(passed, 0), false],
    ["placed", fixed(totals.placed, 0), false],
    ["missed", fixed(totals.missedInAll, 0), totals.missedInAll > 0],
  ];
  totals.missed.forEach((count, outcome) => {
    if (count) rows.push([`  ${words.outcomes[outcome]}`, fixed(count, 0), false]);
  });
  rows.push(["cycles with a hazard", `${fixed(totals.atRisk, 0)} of ${fixed(totals.cycles, 0)}`, totals.atRisk > 0]);
  rows.push(["mean error", inUnits.length(totals.mean_mm, { sign: true }), false]);
  rows.push(["sd of the error", inUnits.length(totals.sd_mm), false]);
  if (setup.feeders.length > 1) {
    const complete = setup.complete_before + countUpTo(setup.complete, line.t);
    rows.push(["complete products", fixed(complete, 0), false]);
  }
  return rows;
};

/** The events of a carrier: words, and a button per setup that goes there. */
const makeEventTable = (table, setups, { onPick }) => {
  const body = document.createElement("tbody");
  table.append(body);
  let shown = "";
  return (carrier, place, events, at) => {
    const key = `${carrier} ${place}`;
    if (key !== shown) {
      shown = key;
      body.replaceChildren();
      for (const [label, found] of eventsOf(carrier, place, events)) {
        const row = addRow(body, setups.length);
        row.cells[0].textContent = label;
        found.forEach((event, k) => event && row.cells[k + 1].append(eventButton(event, setups, onPick)));
      }
    }
    for (const button of body.querySelectorAll("button"))
      button.classList.toggle("past", Number(button.dataset.at) <= at + SAME_INSTANT);
  };
};

const eventButton = (event, setups, onPick) => {
  const setup = setups[event.setup];
  const button = document.createElement("button");
  const row = rowOf(setup, event.carrier);
  const since = event.at + setup.clockZero - setup.carriers.eye_time_s[row];
  button.type = "button";
  button.textContent = `${fixed(since * 1000, 1, { sign: true })} ms`;
  button.setAttribute("aria-label", `Go to: ${event.words}, ${button.textContent} from the carrier eye`);
  button.dataset.at = event.at;
  button.onclick = () => onPick(event);
  return button;
};

/** Words of what happened to a carrier, each with the event of every setup (or none). */
const eventsOf = (carrier, place, events) => {
  const found = new Map();
  for (const event of events.ofCarrier(carrier)) {
    if (event.feeder >= 0 && event.feeder !== place) continue;
    let label = event.words;
    while (found.get(label)?.[event.setup]) label += " again";
    if (!found.has(label)) found.set(label, []);
    found.get(label)[event.setup] = event;
  }
  return [...found];
};
