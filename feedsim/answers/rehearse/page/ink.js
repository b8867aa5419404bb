// A canvas sharp on any screen, its colours, and the few shapes that everything is drawn with.

/** Colours of the page, read again when light and dark change places. */
const readInk = () => {
  const style = getComputedStyle(document.documentElement);
  const ink = {};
  for (const name of [
    "paper", "ink", "soft", "faint", "grid", "belt", "carrier", "carrier-edge", "insert", "insert-pale",
    "target", "blocked", "clutch", "good", "bad", "warn",
  ])
    ink[name] = style.getPropertyValue(`--${name}`).trim();
  return ink;
};

const FONT = '12px system-ui, "Segoe UI", "DejaVu Sans", sans-serif';
const BOLD = `600 ${FONT}`;
const SMALL = FONT.replace("12px", "11px");
const TINY = FONT.replace("12px", "9px");
const BOLD_SMALL = BOLD.replace("12px", "11px");

/** Text size relative to the default: pictures grow with it. */
const textZoom = () => parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;

/** Keep a canvas as large as its place on the page; call back when resizing has cleared it. */
const sharpCanvas = (canvas, onCleared) => {
  const pen = canvas.getContext("2d");
  const area = { pen, canvas, width: 1, height: 1, zoom: 1 };
  const fit = () => {
    const box = canvas.getBoundingClientRect();
    const ratio = Math.min(2, window.devicePixelRatio || 1);
    const [columns, rows] = [Math.round(box.width * ratio), Math.round(box.height * ratio)];
    const zoom = textZoom();
    if (!columns || !rows || (columns === canvas.width && rows === canvas.height && zoom === area.zoom)) return false;
    const [width, height] = [box.width / zoom, box.height / zoom];
    Object.assign(area, { width, height, zoom });
    [canvas.width, canvas.height] = [columns, rows];
    pen.setTransform(columns / width, 0, 0, rows / height, 0, 0);
    return true;
  };
  fit();
  new ResizeObserver(() => fit() && onCleared()).observe(canvas);
  return area;
};

const widths = new Map();

const widthOf = (pen, text, font) => {
  const key = font + text;
  let width = widths.get(key);
  if (width === undefined) {
    if (widths.size > 3000) widths.clear();
    pen.font = font;
    width = pen.measureText(text).width;
    widths.set(key, width);
  }
  return width;
};

/** Write a text; with `back`, on a patch of that colour, so that it is legible over anything. */
const write = (pen, text, x, y, { font = FONT, colour, align = "left", back = null, line = "alphabetic" } = {}) => {
  pen.font = font;
  if (back) {
    const width = widthOf(pen, text, font);
    const left = align === "center" ? x - width / 2 : align === "right" ? x - width : x;
    pen.fillStyle = back;
    pen.fillRect(left - 3, y - (line === "middle" ? 8 : 12), width + 6, 16);
    pen.font = font;
  }
  pen.textAlign = align;
  pen.textBaseline = line;
  pen.fillStyle = colour;
  pen.fillText(text, x, y);
};

/** A text in lines no wider than the room. */
const wrapped = (pen, text, room, font) => {
  const lines = [""];
  for (const word of text.split(" ")) {
    const longer = `${lines.at(-1)} ${word}`.trim();
    if (widthOf(pen, longer, font) > room && lines.at(-1)) lines.push(word);
    else lines[lines.length - 1] = longer;
  }
  return lines;
};

const stroke = (pen, colour, width, points, dash = null) => {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  if (dash) pen.setLineDash(dash);
  pen.beginPath();
  points.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.stroke();
  if (dash) pen.setLineDash([]);
};

const fillShape = (pen, colour, points) => {
  pen.fillStyle = colour;
  pen.beginPath();
  points.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.closePath();
  pen.fill();
};

/** A dashed line along some points with a head at the last. */
const drawArrow = (pen, points, colour) => {
  stroke(pen, colour, 1.8, points, [4, 3]);
  const [[x0, y0], [x, y]] = points.slice(-2);
  const [dx, dy] = [x - x0, y - y0].map((d) => (6 * d) / Math.hypot(x - x0, y - y0));
  fillShape(pen, colour, [[x, y], [x - dx - dy / 1.5, y - dy + dx / 1.5], [x - dx + dy / 1.5, y - dy - dx / 1.5]]);
};

const SIGN_WORDS = {
  known: "mark known to the program",
  closes: "clutch closes",
  lands: "insert lands",
  opens: "clutch opens",
  miss: "carrier missed",
  outside: "insert placed out of tolerance",
  hazard: "jam hazard",
  stray: "path of a stray insert: past its eye with the feed, then over the belt",
  stop: "line stops; the bar after it: standing",
  difference: "turns out differently in the other setup",
};

/** Small signs, each of its own shape: colour never says anything alone. */
const SIGNS = {
  known: (pen, x, y, ink) => {
    fillShape(pen, ink.paper, [[x, y - 5], [x + 5, y], [x, y + 5], [x - 5, y]]);
    stroke(pen, ink.ink, 1.2, [[x, y - 5], [x + 5, y], [x, y + 5], [x - 5, y], [x, y - 5]]);
  },
  closes: (pen, x, y, ink) => fillShape(pen, ink.ink, [[x, y - 5], [x + 5, y + 4], [x - 5, y + 4]]),
  opens: (pen, x, y, ink) => {
    const points = [[x - 5, y - 4], [x + 5, y - 4], [x, y + 5], [x - 5, y - 4]];
    fillShape(pen, ink.paper, points);
    stroke(pen, ink.ink, 1.2, points);
  },
  lands: (pen, x, y, ink) => {
    for (const [dx, dy] of [[0, 5], [4.5, 2.5], [4.5, -2.5]])
      stroke(pen, ink.ink, 1.6, [[x - dx, y - dy], [x + dx, y + dy]]);
  },
  miss: (pen, x, y, ink) => {
    stroke(pen, ink.bad, 2.2, [[x - 4, y - 4], [x + 4, y + 4]]);
    stroke(pen, ink.bad, 2.2, [[x - 4, y + 4], [x + 4, y - 4]]);
  },
  hazard: (pen, x, y, ink) => {
    fillShape(pen, ink.warn, [[x, y - 6], [x + 6, y + 5], [x - 6, y + 5]]);
    pen.fillStyle = ink.paper;
    pen.fillRect(x - 0.8, y - 2.5, 1.6, 4);
    pen.fillRect(x - 0.8, y + 2.3, 1.6, 1.6);
  },
  outside: (pen, x, y, ink) => {
    stroke(pen, ink.bad, 2, [[x + 3, y - 6], [x + 3, y + 6]]);
    stroke(pen, ink.bad, 1.6, [[x - 6, y], [x + 2, y]]);
    fillShape(pen, ink.bad, [[x + 2, y], [x - 2, y - 3.5], [x - 2, y + 3.5]]);
  },
  stray: (pen, x, y, ink) => drawArrow(pen, [[x - 8, y], [x + 8, y]], ink.bad),
  stop: (pen, x, y, ink) => {
    pen.fillStyle = ink.bad;
    pen.fillRect(x - 5, y - 5, 10, 10);
  },
  difference: (pen, x, y, ink) => {
    stroke(pen, ink.ink, 1.6, [[x - 5, y - 2], [x + 5, y - 2]]);
    stroke(pen, ink.ink, 1.6, [[x - 5, y + 2], [x + 5, y + 2]]);
    stroke(pen, ink.ink, 1.6, [[x - 3, y + 6], [x + 3, y - 6]]);
  },
};
