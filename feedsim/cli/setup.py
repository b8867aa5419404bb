"""``feedsim setup``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    Speed,
    UnitChoice,
    Units,
    read_scenario,
)

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
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print setup.json on standard output.")
    ] = False,
) -> int:
    """Make the set-up sheet: what to type in, why, what it is good for, how to adjust it.

    Prints it, and writes setup.html to print and setup.json.
    """
    from feedsim.cli.progress import doing
    from feedsim.output.files import try_folder, write_all
    from feedsim.output.json_text import json_text
    from feedsim.output.setup.page import setup_page
    from feedsim.output.setup.text import setup_text
    from feedsim.studies.set_up_sheet import set_up_sheet

    what = read_scenario(scenario, settings, speed=speed)
    folder = out if out is not None else Path("plots") / scenario.stem / "setup"
    try_folder(folder)
    with doing("working out settings and limits"):
        sheet = set_up_sheet(what)
        files = {
            "setup.html": setup_page(sheet, units=units.value).encode(),
            "setup.json": json_text(sheet).encode(),
        }
    write_all(folder, files)
    typer.echo(
        json_text(sheet) if as_json else setup_text(sheet, units=units.value), nl=not as_json
    )
    typer.echo(f"wrote {', '.join(files)} to {folder}", err=as_json)
    return 0
