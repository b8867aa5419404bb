"""``feedsim limit``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    Carriers,
    Jobs,
    OnCluster,
    ScenarioPath,
    Settings,
    UnitChoice,
    Units,
    changes_of,
    read_scenario,
    tell,
    where_from,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.settings.limits import Closed
    from feedsim.studies.executor import Where
    from feedsim.studies.limit.search import Found

__all__ = ["limit"]

_MOST = 1_000_000
_WITHIN = 0.01


def limit(
    scenario: ScenarioPath,
    settings: Settings = None,
    carriers: Carriers = None,
    at_most: Annotated[
        int,
        typer.Option("--at-most", help="Carriers to simulate in all; then the search ends.", min=1),
    ] = _MOST,
    within: Annotated[
        str,
        typer.Option("--within", metavar="SHARE", help="How narrow a range of speeds to look for."),
    ] = "1 %",
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder to write limit.json to.", show_default=False),
    ] = None,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print limit.json on standard output.")
    ] = False,
) -> int:
    """Find up to which speed every speed meets the acceptance figures, and why no higher.

    Twice: the closed-form limit of each mechanism, and a search by simulation that narrows the
    range between the fastest speed accepted for sure and the slowest refused for sure.
    """
    from feedsim.cli.delivery import deliver, print_now

    where = where_from(jobs, cluster)
    changes = changes_of(settings, carriers=carriers)
    narrow = _share(within)
    what = read_scenario(scenario, changes, speed=None)
    _enough(what, at_most)

    def find(_: object) -> Answer:
        return _answer(what, within=narrow, most=at_most, where=where, units=units.value)

    if out is not None:
        return deliver("limit", find, folder=out, as_json=as_json, pictures=False)
    return print_now(find(None), as_json=as_json)


def _answer(scenario: Scenario, *, within: float, most: int, where: Where, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.json_text import json_text
    from feedsim.output.limit_text import limit_text
    from feedsim.studies.limit.closed import closed_forms, closed_window, lowest_together
    from feedsim.studies.limit.plain import limit_plain

    with doing("working out the limits in closed form"):
        closed = closed_forms(scenario)
        nowhere = lowest_together([form.limits for form in closed]) == 0.0
        window = closed_window(scenario) if nowhere else None
    found = _search(scenario, closed, window=window, within=within, most=most, where=where)
    plain = limit_plain(scenario, closed, found, window=window)
    data = json_text(plain)
    return Answer(
        text=lambda: limit_text(plain, units=units), json=data, files={"limit.json": data.encode()}
    )


def _enough(scenario: Scenario, most: int) -> None:
    from feedsim.errors import Fault, FeedsimError
    from feedsim.studies.limit.search import LOOKS, least_carriers

    least = least_carriers(scenario)
    if most < least:
        allowed = (
            f"{least} or more: a look at one speed takes {LOOKS[0]} runs of "
            f"{scenario.run.carriers} carriers; or fewer carriers in a run (--carriers)"
        )
        raise FeedsimError(Fault("--at-most", found=str(most), allowed=allowed))


def _share(text: str) -> float:
    from feedsim.errors import Fault, FeedsimError
    from feedsim.quantities import QuantityError, parse

    try:
        share = parse(text, "share")
    except QuantityError as error:
        raise FeedsimError(Fault("--within", message=f"needs {error}")) from None
    if not 1e-4 <= share <= 0.5:
        raise FeedsimError(Fault("--within", found=repr(text), allowed="0.01 % to 50 %"))
    return share


def _search(
    scenario: Scenario,
    closed: Sequence[Closed],
    *,
    window: tuple[float, float] | None,
    within: float,
    most: int,
    where: Where,
) -> Found:
    from feedsim.cli.progress import progress_bar
    from feedsim.studies.executor import crew
    from feedsim.studies.limit.closed import lowest_together, worst_of_line
    from feedsim.studies.limit.search import Search, doubts, run_batch, search

    highest = lowest_together([form.limits for form in closed])
    start = window[1] if window else highest or scenario.line.speed
    what = Search(
        scenario,
        start_mm_s=start,
        within=within,
        most_carriers=most,
        also_mm_s=(scenario.line.speed,) if window else (),
        from_mm_s=scenario.line.speed if window else 0.0,
        worst=worst_of_line(scenario),
        doubtful=doubts(scenario, closed),
    )
    with (
        progress_bar("carriers at most", most) as progress,
        crew(run_batch, where=where, on_lost=tell) as workers,
    ):
        return search(what, workers.in_order, progress=progress)
