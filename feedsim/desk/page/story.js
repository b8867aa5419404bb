// The story of one carrier, in words.

import { one, setText } from "./dom.js";
import { commandLine } from "./command_line.js";

export const makeStory = ({ planner, shown, onPlay }) => {
  let carrier = null;
  let controller = null;

  const tell = async (number) => {
    carrier = number;
    controller?.abort();
    controller = new AbortController();
    const dialog = one("story-dialog");
    setText(one("story-head"), `Carrier ${number}`);
    setText(one("story-text"), "…");
    one("story-command").replaceChildren();
    if (!dialog.open) dialog.showModal();
    try {
      const carriers = shown.newest.run?.head.carriers;
      const line = await planner().single("story", { carrier: number, carriers, feeder: shown.feeder }, { signal: controller.signal });
      setText(one("story-text"), line.answer?.text ?? line.refused ?? line.dropped ?? line.defect ?? line.faults.map((fault) => fault.text).join("\n"));
      if (line.answer?.command) one("story-command").replaceChildren(commandLine("Command with the same story", line.answer.command));
    } catch (error) {
      if (error.name !== "AbortError") setText(one("story-text"), "The server did not answer.");
    }
  };

  one("story-last").addEventListener("click", () => carrier > 0 && tell(carrier - 1));
  one("story-next").addEventListener("click", () => tell(carrier + 1));
  one("story-play").addEventListener("click", () => {
    one("story-dialog").close();
    onPlay(carrier);
  });
  one("story-dialog").addEventListener("close", () => controller?.abort());
  return { tell };
};
