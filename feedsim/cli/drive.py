"""``feedsim drive``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from feedsim.cli.options import (
    AsJson,
    ScenarioPath,
    Settings,
    Units,
    out_option,
    read_line,
    speeds_option,
)

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer


def drive(
    scenario: ScenarioPath,
    speeds: Annotated[
        str | None, speeds_option("the sweep speeds of the scenario, or its line speed")
    ] = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option("drive")] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Size the feed axis: what its motion asks of a motor, and which candidates can give it.

    Prints the answer and writes drive.json, drive.csv, cycle.csv (speed and torque over a cycle)
    and two figures.
    """
    from feedsim.answers.drive import answer as answers
    from feedsim.cli.delivery import deliver
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings)
    wanted = answers.speeds_of(line, speeds)

    def find(_: object) -> Answer:
        with doing("sizing the drive"):
            return answers.sized(line, wanted)

    folder = out if out is not None else Path("plots") / scenario.stem / "drive"
    return deliver("drive", find, folder=folder, units=units, as_json=as_json)
