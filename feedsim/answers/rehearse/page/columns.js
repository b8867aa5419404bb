// Columns of numbers: packed as base64 in the page, plain typed arrays once unpacked.

const ARRAYS = { f8: Float64Array, f4: Float32Array, i4: Int32Array, u1: Uint8Array };

const unpacked = ({ kind, data }) => {
  const text = atob(data);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  return new ARRAYS[kind](bytes.buffer);
};

/** Unpack every column inside plain data. */
const withColumns = (plain) => {
  if (Array.isArray(plain)) return plain.map(withColumns);
  if (plain === null || typeof plain !== "object") return plain;
  if (typeof plain.data === "string" && plain.kind in ARRAYS) return unpacked(plain);
  return Object.fromEntries(Object.entries(plain).map(([key, part]) => [key, withColumns(part)]));
};

/** How many of the rising numbers are at or below a value. */
const countUpTo = (rising, value) => {
  let low = 0;
  let high = rising.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (rising[middle] <= value) low = middle + 1;
    else high = middle;
  }
  return low;
};

/** Index of the last of the rising numbers at or below a value; 0 if all lie above. */
const lastUpTo = (rising, value) => Math.max(0, countUpTo(rising, value) - 1);

/** Items grouped by a key, each group in order. */
const grouped = (items, keyOf) => {
  const groups = new Map();
  for (const item of items) {
    const key = keyOf(item);
    if (groups.has(key)) groups.get(key).push(item);
    else groups.set(key, [item]);
  }
  return groups;
};
