"""``feedsim run``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from feedsim.cli.options import (
    AsJson,
    Engine,
    ScenarioPath,
    Seed,
    Settings,
    Speed,
    Units,
    changes_of,
    out_option,
    read_line,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Handed

__all__ = ["run"]

NOT_ACCEPTED = 1


def run(
    scenario: ScenarioPath,
    speed: Speed = None,
    carriers: Annotated[
        int | None,
        typer.Option(
            "--carriers", metavar="N", help="Carriers in the figures.", show_default=False
        ),
    ] = None,
    seed: Seed = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option()] = None,
    trace: Annotated[
        bool, typer.Option("--trace", help="Write every event to events.csv.")
    ] = False,
    around: Annotated[
        int | None,
        typer.Option(
            "--around",
            metavar="CARRIER",
            help="Carrier in the middle of the timing diagram, by its number in carriers.csv. "
            "[default: the second counted one]",
            show_default=False,
        ),
    ] = None,
    records: Annotated[
        Literal["all", "missed", "none"] | None,
        typer.Option(
            "--records",
            metavar="all|missed|none",
            help="Rows in carriers.csv: all, only missed or at risk, or none. "
            "[default: all; missed above 100,000 carriers]",
            show_default=False,
        ),
    ] = None,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with 1 if the result is not accepted.")
    ] = False,
) -> int:
    """Run a scenario: placement error, missed carriers, jam risk.

    Prints a summary and writes results.json, carriers.csv and two figures.
    """
    from feedsim.answers.run import answer as answers
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import progress_bar

    use_engine(engine)
    changes = changes_of(settings, carriers=carriers, seed=seed)
    line = read_line(scenario, changes, speed=speed)
    answers.middle_of(line, around)

    def find(_: object) -> Handed:
        counted = line.scenario.run
        with progress_bar("carriers", counted.warm_up + counted.carriers) as progress:
            found = answers.run(
                line, around=around, traced=trace, records=records, progress=progress
            )
        refused = gate and not found.accepted
        return handed(found, units=units, status=NOT_ACCEPTED if refused else 0)

    folder = out if out is not None else Path("plots") / scenario.stem
    return deliver("run", find, folder=folder, units=units, as_json=as_json)
