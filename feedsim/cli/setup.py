"""``feedsim setup``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from feedsim.cli.options import AsJson, ScenarioPath, Settings, Speed, Units, out_option, read_line

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer


def setup(
    scenario: ScenarioPath,
    speed: Speed = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option("setup")] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Make the set-up sheet: what to type in, why, what it achieves, how to adjust it.

    Prints it, and writes setup.html to print and setup.json.
    """
    from feedsim.answers.setup import answer as answers
    from feedsim.cli.delivery import deliver
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings, speed=speed)

    def find(_: object) -> Answer:
        with doing("working out settings and limits"):
            return answers.setup(line)

    folder = out if out is not None else Path("plots") / scenario.stem / "setup"
    return deliver("setup", find, folder=folder, units=units, as_json=as_json, pictures=False)
