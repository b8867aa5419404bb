"""``feedsim budget``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import (
    Carriers,
    Jobs,
    ScenarioPath,
    Settings,
    UnitChoice,
    Units,
    changes_of,
    read_scenario,
    tell,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.budget.budget import Point
    from feedsim.studies.budget.what_if import Outcome

    WhatIf = tuple[Outcome, list[Outcome]]

__all__ = ["budget"]


def budget(
    scenario: ScenarioPath,
    speeds: Annotated[
        str | None,
        typer.Option(
            "--speeds",
            metavar="SPEEDS",
            help='Line speeds, "20:120:10 m/min" or "20,45,60 m/min", side by side  [default: '
            "line.speed in full, those of \\[sweep] in the figure]",
            show_default=False,
        ),
    ] = None,
    what_if: Annotated[
        bool,
        typer.Option(
            "--what-if", help="Halve each knob in turn: the spread and limit speed that buys."
        ),
    ] = False,
    carriers: Carriers = None,
    settings: Settings = None,
    jobs: Jobs = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the files  [default: plots/<scenario>/budget]",
            show_default=False,
        ),
    ] = None,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print budget.json on standard output.")
    ] = False,
) -> int:
    """Break the spread of the placement down into its sources, and hold the sum against a run.

    Prints the error budget and what to spend on; writes budget.json, budget.csv and a figure.
    """
    from feedsim.cli.delivery import deliver

    changes = changes_of(settings, carriers=carriers)
    what = read_scenario(scenario, changes, speed=None)
    asked = _speeds(speeds)
    return deliver(
        "budget",
        lambda _: _answer(what, asked, what_if=what_if, jobs=jobs, units=units.value),
        folder=out if out is not None else Path("plots") / scenario.stem / "budget",
        as_json=as_json,
    )


def _answer(
    scenario: Scenario,
    asked: Sequence[float] | None,
    *,
    what_if: bool,
    jobs: int | None,
    units: System,
) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.json_text import json_text
    from feedsim.studies.budget.plain import budget_plain

    usual = scenario.line.speed
    in_full = usual if asked is None else asked[0] if len(asked) == 1 else None
    points = _points(
        scenario, asked or [usual, *scenario.sweep.speeds_mm_s], jobs=jobs, units=units
    )
    at = usual if in_full is None else in_full
    turned = _turned(scenario, at, jobs=jobs) if what_if else None
    data = json_text(budget_plain(scenario, points, what_if=turned, what_if_speed_mm_s=at))
    with doing("drawing the figures"):
        files = _files(scenario, points, units=units)
    return Answer(
        text=lambda: _text(scenario, points, in_full=in_full, turned=(turned, at), units=units),
        json=data,
        files={"budget.json": data.encode(), **files},
    )


def _speeds(text: str | None) -> list[float] | None:
    from feedsim.studies.axes import parse_speeds

    return None if text is None else list(parse_speeds(text).numbers)


def _points(
    scenario: Scenario, speeds: Sequence[float], *, jobs: int | None, units: System
) -> list[Point]:
    """Run the scenario at each speed, and hold its budget against each run."""
    from feedsim.cli.progress import doing
    from feedsim.scenario import scenario_to_dict
    from feedsim.studies.budget.budget import Point, budgets_at, compared
    from feedsim.studies.budget.run import run_spread

    rising = sorted(set(speeds))
    plain = scenario_to_dict(scenario)
    runs = _made("speeds", run_spread, [(plain, speed) for speed in rising], jobs=jobs)
    points = []
    with doing("working out the budgets"):
        for speed, run in zip(rising, runs, strict=True):
            budgets = budgets_at(scenario, speed, units=units)
            pairs = zip(budgets, run, strict=True)
            points.append(Point(speed, tuple(compared(one, seen) for one, seen in pairs)))
    return points


def _turned(scenario: Scenario, speed: float, *, jobs: int | None) -> WhatIf:
    from feedsim.studies.budget.what_if import feeder_limits, what_if

    return what_if(scenario, speed, lambda calls: _made("limits", feeder_limits, calls, jobs=jobs))


def _made(
    what: str, work: Callable[..., Any], calls: Sequence[tuple[Any, ...]], *, jobs: int | None
) -> list[Any]:
    """Make calls in this process or in several, and return their results in the same order."""
    import os

    from feedsim.cli.progress import progress_bar
    from feedsim.studies.executor import Local, completed

    results: dict[int, Any] = {}
    with progress_bar(what, len(calls)) as progress:
        for place, result in completed(
            work,
            calls,
            where=Local(jobs or os.cpu_count() or 1),
            on_lost=tell,
        ):
            results[place] = result
            if progress is not None:
                progress(len(results))
    return [results[place] for place in range(len(calls))]


def _files(scenario: Scenario, points: Sequence[Point], *, units: System) -> dict[str, Content]:
    from feedsim.output.budget.figure import budget_figures
    from feedsim.output.budget.rows import budget_csv
    from feedsim.output.canvas import pictures

    figures = budget_figures(scenario, points, units=units)
    return {"budget.csv": budget_csv(points), **pictures(figures)}


def _text(
    scenario: Scenario,
    points: Sequence[Point],
    *,
    in_full: float | None,
    turned: tuple[WhatIf | None, float],
    units: System,
) -> str:
    from feedsim.output.budget.text import budget_text
    from feedsim.output.budget.what_if_text import what_if_text

    text = budget_text(scenario, points, in_full_mm_s=in_full, units=units)
    outcomes, at = turned
    if outcomes is not None:
        more = what_if_text(scenario, *outcomes, speed_mm_s=at, units=units)
        text = f"{text}\n\n{more}"
    return text
