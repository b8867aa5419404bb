// Save and export: the scenario as a file, the set-up sheet, a page to mail, the commands.

import { inStep, make, one, setText } from "./dom.js";
import { commandLine, saying } from "./command_line.js";
import { setupOf } from "./planner.js";
import { Gone, Locked, save } from "./server.js";

const download = (name, text, type) => {
  setText(one("take-said"), `${name}: sent to this browser as a download.`);
  const address = URL.createObjectURL(new Blob([text], { type }));
  const link = make("a", { href: address, download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
};

const wrong = (line) => line.refused ?? line.dropped ?? line.defect ?? line.faults?.map((fault) => fault.text).join("; ");

export const makeTake = ({ planner, turns, shown, film, onSaved }) => {
  const said = one("take-said");
  const name = one("save-name");
  const again = one("save-over");
  let over = null;

  const asked = async (what, more = {}) => {
    setText(said, "…");
    try {
      const line = await planner().single(what, more);
      setText(said, line.answer ? "" : wrong(line));
      return line.answer ?? null;
    } catch (error) {
      setText(said, lostWords(error));
      return null;
    }
  };

  const put = async (permission) => {
    if (!name.value.trim()) {
      setText(said, "Give a file name that ends in .toml.");
      name.focus();
      return;
    }
    setText(said, "…");
    try {
      const told = await save({ ...setupOf(turns, turns.now), name: name.value.trim(), over: permission });
      over = told.exists ? told.over : null;
      again.hidden = !told.exists;
      if (told.exists) {
        setText(said, `${told.words}.`);
        setText(again, `Overwrite ${told.exists}`);
        return;
      }
      setText(said, told.saved ? `Saved as ${told.saved} in ${told.folder}.` : wrong(told));
      if (told.saved) onSaved(told);
    } catch (error) {
      setText(said, lostWords(error));
    }
  };

  name.addEventListener("input", () => {
    over = null;
    again.hidden = true;
  });
  one("save-new").addEventListener("click", () => put(null));
  again.addEventListener("click", () => put(over));
  one("take-sheet").addEventListener("click", async () => {
    const sheet = await asked("sheet");
    if (sheet) download(sheet.name, sheet.document, "text/html");
  });
  one("take-mail").addEventListener("click", async () => {
    const page = await asked("mail", film.wanted() ?? {});
    if (page) download(page.name, page.document, "text/html");
  });

  let listed = 0; // the number of the run that the commands are of

  return {
    async open() {
      setText(said, "");
      again.hidden = true;
      over = null;
      listed = 0;
      one("take-commands").replaceChildren();
      one("take-dialog").showModal();
      const written = await asked("written");
      if (written) name.value = written.suggested;
      await this.listCommands();
    },
    /** The commands for the figures shown: more carriers may have come since they were listed. */
    async listCommands() {
      const { number = 1, carriers } = shown.newest.run?.head ?? {};
      if (!one("take-dialog").open || listed === number) return;
      listed = number;
      const { answer: told } = await planner().single("command", { carriers }).catch(() => ({}));
      if (!told || listed !== number) return;
      setText(one("take-note"), told.note);
      one("take-note").hidden = !told.note;
      inStep(one("take-commands"), told.commands, () => commandLine("", ""), (line, { for: what, command }) => saying(line, what, command));
    },
  };
};

const lostWords = (error) =>
  error instanceof Gone || error instanceof Locked ? "The server does not answer; nothing was written." : error.message;
