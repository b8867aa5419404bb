"""``feedsim setup``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    Speed,
    UnitChoice,
    Units,
    read_scenario,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.quantities import System
    from feedsim.scenario import Scenario

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
    from feedsim.cli.delivery import deliver

    what = read_scenario(scenario, settings, speed=speed)
    return deliver(
        "setup",
        lambda _: _answer(what, units=units.value),
        folder=out if out is not None else Path("plots") / scenario.stem / "setup",
        as_json=as_json,
        pictures=False,
    )


def _answer(scenario: Scenario, *, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.json_text import json_text
    from feedsim.output.setup.page import setup_page
    from feedsim.output.setup.text import setup_text
    from feedsim.studies.set_up_sheet import set_up_sheet

    with doing("working out settings and limits"):
        sheet = set_up_sheet(scenario)
        data = json_text(sheet)
        page = setup_page(sheet, units=units)
    return Answer(
        text=lambda: setup_text(sheet, units=units),
        json=data,
        files={"setup.html": page.encode(), "setup.json": data.encode()},
    )
