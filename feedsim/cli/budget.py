"""``feedsim budget``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import (
    Carriers,
    Engine,
    Jobs,
    ScenarioPath,
    Settings,
    Units,
    changes_of,
    read_line,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer

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
    engine: Engine = None,
    units: Units = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print budget.json on standard output.")
    ] = False,
) -> int:
    """Break the spread of the placement down into its sources, and hold the sum against a run.

    Prints the error budget and what to spend on; writes budget.json, budget.csv and a figure.
    """
    from feedsim.answers.budget import answer as answers
    from feedsim.cli.delivery import deliver, handed
    from feedsim.running.axes import parse_speeds

    use_engine(engine)
    line = read_line(scenario, changes_of(settings, carriers=carriers))
    if speeds is not None:
        parse_speeds(speeds)  # before any work

    def find(_: object) -> Answer:
        made = partial(_made, jobs=jobs)
        return handed(answers.budget(line, speeds, what_if=what_if, made=made), units=units)

    folder = out if out is not None else Path("plots") / scenario.stem / "budget"
    return deliver("budget", find, folder=folder, as_json=as_json)


def _made(
    what: str, work: Callable[..., Any], calls: Sequence[tuple[Any, ...]], *, jobs: int | None
) -> list[Any]:
    """Make calls in this process or in several, and return their results in the same order."""
    import os

    from feedsim.cli.progress import progress_bar
    from feedsim.running.executor import Local, completed

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
