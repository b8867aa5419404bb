"""``feedsim drive``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    Units,
    read_line,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer

__all__ = ["drive"]


def drive(
    scenario: ScenarioPath,
    speeds: Annotated[
        str | None,
        typer.Option(
            "--speeds",
            metavar="SPEEDS",
            help='Line speeds, "20:120:10 m/min" or "20,45,60 m/min"  [default: from \\[sweep], '
            "or the line speed]",
            show_default=False,
        ),
    ] = None,
    settings: Settings = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the files  [default: plots/<scenario>/drive]",
            show_default=False,
        ),
    ] = None,
    units: Units = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print drive.json on standard output.")
    ] = False,
) -> int:
    """Size the feed axis: what its motion asks of a motor, and which candidates can give it.

    Prints the answer and writes drive.json, drive.csv, cycle.csv (speed and torque over a cycle)
    and two figures.
    """
    from feedsim.answers.drive import answer as answers
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings)
    wanted = answers.speeds_of(line, speeds)

    def find(_: object) -> Answer:
        with doing("sizing the drive"):
            found = answers.sized(line, wanted)
        return handed(found, units=units)

    folder = out if out is not None else Path("plots") / scenario.stem / "drive"
    return deliver("drive", find, folder=folder, as_json=as_json)
