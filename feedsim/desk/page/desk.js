// Asks for a first run and shows its text: from here the page grows.

const state = await (await fetch("/state")).json();
const file = state.files.at(-1);
document.getElementById("cautions").textContent = state.cautions.join(" ");
const question = { number: 1, tab: "first", what: "run", file: state.files.length - 1, text: file.text, changes: [], carriers: state.rounds[0] };
const answer = await fetch("/ask", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(question) });
const lines = (await answer.text()).trim().split("\n").map((line) => JSON.parse(line));
const last = lines.at(-1);
document.getElementById("title").textContent = file.name;
document.getElementById("text").textContent = last.answer ? last.answer.text : (last.faults ?? []).map((fault) => fault.text).join("\n") || last.refused;
