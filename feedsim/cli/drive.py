"""``feedsim drive``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import ScenarioPath, Settings, UnitChoice, Units, read_scenario

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from feedsim.cli.delivery import Answer
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.drive.sizing import Sizing

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
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print drive.json on standard output.")
    ] = False,
) -> int:
    """Size the feed axis: what its motion asks of a motor, and which candidates can give it.

    Prints the answer and writes drive.json, drive.csv, cycle.csv (speed and torque over a cycle)
    and two figures.
    """
    from feedsim.cli.delivery import deliver
    from feedsim.studies.axes import parse_speeds
    from feedsim.studies.drive.sizing import check, speeds_from

    what = read_scenario(scenario, settings, speed=None)
    wanted = parse_speeds(speeds).numbers if speeds is not None else speeds_from(what)
    check(what)
    return deliver(
        "drive",
        lambda _: _answer(what, wanted, units=units.value),
        folder=out if out is not None else Path("plots") / scenario.stem / "drive",
        as_json=as_json,
    )


def _answer(scenario: Scenario, speeds: Sequence[float], *, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.drive.text import drive_text
    from feedsim.output.json_text import json_text
    from feedsim.studies.drive.plain import drive_plain
    from feedsim.studies.drive.sizing import size

    with doing("sizing the drive"):
        sizings = size(scenario, speeds)
        found = drive_plain(scenario, sizings)
        files = _files(scenario, sizings, found, units=units)
    return Answer(
        text=lambda: drive_text(found, units=units),
        json=json_text(found),
        files=files,
    )


def _files(
    scenario: Scenario, sizings: Sequence[Sizing], found: Mapping[str, Any], *, units: System
) -> dict[str, Content]:
    from feedsim.output.canvas import pictures
    from feedsim.output.drive.figure import drive_figures
    from feedsim.output.drive.rows import cycle_csv, drive_csv
    from feedsim.output.json_text import json_text

    files: dict[str, Content] = {
        "drive.json": json_text(found).encode(),
        "drive.csv": drive_csv(found),
        "cycle.csv": cycle_csv(sizings, found),
    }
    figures = drive_figures(sizings, found, title=scenario.title, units=units)
    return files | pictures(figures)
