"""``feedsim budget``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Annotated, TypeVar, TypeVarTuple

import typer

from feedsim.cli.options import (
    AsJson,
    Carriers,
    Engine,
    Jobs,
    ScenarioPath,
    Settings,
    Units,
    changes_of,
    out_option,
    read_line,
    speeds_option,
    tell,
    use_engine,
)

Args = TypeVarTuple("Args")
Result = TypeVar("Result")


def budget(
    scenario: ScenarioPath,
    speeds: Annotated[
        str | None, speeds_option("the line speed; the figure has the sweep speeds too")
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
    out: Annotated[Path | None, out_option("budget")] = None,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Break the placement spread down into its sources, and compare the sum with a run.

    Prints the error budget and what to spend on; writes budget.json, budget.csv and figures.
    """
    from feedsim.answers.budget import answer as answers
    from feedsim.cli.delivery import deliver
    from feedsim.running.axes import parse_speeds

    use_engine(engine)
    line = read_line(scenario, changes_of(settings, carriers=carriers))
    if speeds is not None:
        parse_speeds(speeds, line.units)  # before any work

    made = partial(_made, jobs=jobs)
    folder = out if out is not None else Path("plots") / scenario.stem / "budget"
    return deliver(
        "budget",
        lambda _: answers.budget(line, speeds, what_if=what_if, made=made),
        folder=folder,
        units=units,
        as_json=as_json,
    )


def _made(
    what: str,
    work: Callable[[*Args], Result],
    calls: Sequence[tuple[*Args]],
    *,
    jobs: int | None,
) -> list[Result]:
    """Make calls in this process or in several, and return their results in the same order."""
    import os

    from feedsim.cli.progress import progress_bar
    from feedsim.running.executor import Local, completed

    where = Local(jobs or os.cpu_count() or 1)
    results: dict[int, Result] = {}
    with progress_bar(what, len(calls)) as progress:
        for place, result in completed(work, calls, where=where, on_lost=tell):
            results[place] = result
            if progress is not None:
                progress(len(results))
    return [results[place] for place in range(len(calls))]
