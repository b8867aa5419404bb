"""``feedsim limit``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    AsJson,
    Carriers,
    Engine,
    Jobs,
    OnCluster,
    ScenarioPath,
    Settings,
    Units,
    changes_of,
    option,
    read_line,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer

_MOST = 1_000_000


def limit(
    scenario: ScenarioPath,
    settings: Settings = None,
    carriers: Carriers = None,
    at_most: Annotated[
        int,
        option(
            "--at-most",
            "N",
            f"Carriers to simulate in all before the search ends. [default: {_MOST:,}]",
            least=1,
        ),
    ] = _MOST,
    within: Annotated[
        str,
        typer.Option("--within", metavar="SHARE", help="Width of the speed range to end with."),
    ] = "1 %",
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[
        Path | None,
        option("--out", "FOLDER", "Folder for limit.json; without it, no file is written."),
    ] = None,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Find the highest speed up to which every speed is accepted, and what limits it.

    Finds it twice: in closed form, a limit for each mechanism, and by simulation, which narrows
    the range between the fastest speed accepted for sure and the slowest refused for sure.
    """
    from feedsim.answers.amounts import share_of
    from feedsim.answers.limit.answer import NARROWEST, WIDEST, enough, searched
    from feedsim.answers.limit.study.closed import in_closed_form
    from feedsim.answers.where import quickest, where_of
    from feedsim.beside import beside
    from feedsim.cli.delivery import deliver, print_now
    from feedsim.cli.progress import doing, progress_bar
    from feedsim.running.run import machine_of

    use_engine(engine)
    where_of(jobs, cluster)  # refused before all else
    line = read_line(scenario, changes_of(settings, carriers=carriers))
    narrow = share_of("within", within, NARROWEST, WIDEST)
    enough(line, at_most)
    machine = machine_of(line.scenario)

    def find(_: object) -> Answer:
        import scipy.special  # noqa: F401 - once, not in each copy

        with (
            doing("working out the limits in closed form"),
            beside(lambda: in_closed_form(line.scenario)) as closed_forms,
        ):
            where = quickest(machine, at_most, jobs=jobs, cluster=cluster)
            closed = closed_forms()
        with progress_bar("carriers at most", at_most) as progress:
            return searched(
                line,
                closed,
                within=narrow,
                at_most=at_most,
                where=where,
                progress=progress,
                on_lost=tell,
            )

    if out is not None:
        return deliver("limit", find, folder=out, units=units, as_json=as_json, pictures=False)
    return print_now(find(None), units=units, as_json=as_json)
