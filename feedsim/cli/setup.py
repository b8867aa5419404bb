"""``feedsim setup``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    Speed,
    Units,
    read_line,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer

__all__ = ["setup"]


def setup(
    scenario: ScenarioPath,
    speed: Speed = None,
    settings: Settings = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the page  [default: plots/<scenario>/setup]",
            show_default=False,
        ),
    ] = None,
    units: Units = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print setup.json on standard output.")
    ] = False,
) -> int:
    """Make the set-up sheet: what to type in, why, what it is good for, how to adjust it.

    Prints it, and writes setup.html to print and setup.json.
    """
    from feedsim.answers.setup import answer as answers
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings, speed=speed)

    def find(_: object) -> Answer:
        with doing("working out settings and limits"):
            found = answers.setup(line)
        return handed(found, units=units)

    folder = out if out is not None else Path("plots") / scenario.stem / "setup"
    return deliver("setup", find, folder=folder, as_json=as_json, pictures=False)
