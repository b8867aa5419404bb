// The server: its state, and a question with its answer, line by line.

const HEADERS = { "Content-Type": "application/json" };
const PATIENCE_MS = 8000;

/** The server does not answer. */
export class Gone extends Error {}

/** The server does not know this browser: it was restarted. */
export class Locked extends Error {}

/** The server refused the request itself. */
export class Refused extends Error {}

const fetched = async (address, options) => {
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (error) {
    if (options?.signal?.aborted && options.signal.reason?.name !== "TimeoutError") throw error;
    throw new Gone();
  }
  if (answer.status === 403) throw new Locked();
  return answer;
};

export const readState = async () => (await fetched("/state", { signal: AbortSignal.timeout(PATIENCE_MS) })).json();

/**
 * Ask, and return the last line of the answer: with `answer`, `faults`, `refused` or `dropped`.
 * `onProgress` gets the lines before it.
 */
export const ask = async (question, { signal, onProgress = () => {} } = {}) => {
  const response = await fetched("/ask", { method: "POST", headers: HEADERS, body: JSON.stringify(question), signal });
  if (!response.ok) throw new Refused((await response.json()).error);
  for await (const line of linesOf(response, signal)) {
    if (line.number !== question.number) continue;
    if (!line.progress) return line;
    onProgress(line.progress);
  }
  throw new Gone(); // it broke off
};

async function* linesOf(response, signal) {
  const reader = response.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    let part;
    try {
      part = await reader.read();
    } catch (error) {
      if (signal?.aborted) throw error;
      throw new Gone();
    }
    if (part.done) return;
    const lines = (rest + part.value).split("\n");
    rest = lines.pop();
    for (const line of lines) if (line) yield JSON.parse(line);
  }
}

/** Save; `exists`: a file of that name is there already; `faults`: the scenario is not valid. */
export const save = async (order) => {
  const response = await fetched("/save", { method: "POST", headers: HEADERS, body: JSON.stringify(order) });
  const told = await response.json();
  if (response.ok || response.status === 409 || told.faults) return told;
  throw new Refused(told.error);
};
