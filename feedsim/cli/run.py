"""``feedsim run``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Seed,
    Settings,
    Speed,
    UnitChoice,
    Units,
    changes_of,
    read_scenario,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.run import Rehearsal

__all__ = ["run"]

NOT_ACCEPTED = 1


def run(
    scenario: ScenarioPath,
    speed: Speed = None,
    carriers: Annotated[
        int | None, typer.Option("--carriers", help="Carriers in the figures.", show_default=False)
    ] = None,
    seed: Seed = None,
    settings: Settings = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="Folder for the files  [default: plots/<scenario>]", show_default=False
        ),
    ] = None,
    trace: Annotated[
        bool, typer.Option("--trace", help="Write every event to events.csv.")
    ] = False,
    around: Annotated[
        int | None,
        typer.Option(
            "--around",
            metavar="CARRIER",
            help="Carrier in the middle of the timing diagram, by its number in carriers.csv "
            "[default: the second counted one]",
            show_default=False,
        ),
    ] = None,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print results.json on standard output.")
    ] = False,
    gate: Annotated[
        bool, typer.Option("--gate", help="Exit with 1 if the result is not accepted.")
    ] = False,
) -> int:
    """Run a scenario: placement error, missed carriers, jam risk.

    Prints a summary and writes results.json, carriers.csv and two figures.
    """
    from feedsim.cli.delivery import deliver

    changes = changes_of(settings, carriers=carriers, seed=seed)
    checked = read_scenario(scenario, changes, speed=speed)
    middle = _middle(checked, around)
    return deliver(
        "run",
        lambda _: _answer(checked, middle=middle, traced=trace, gate=gate, units=units.value),
        folder=out if out is not None else Path("plots") / scenario.stem,
        as_json=as_json,
    )


def _answer(scenario: Scenario, *, middle: int, traced: bool, gate: bool, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing, progress_bar
    from feedsim.output.json_text import json_text
    from feedsim.output.summary import summary
    from feedsim.studies.run import criteria_of, rehearse

    with progress_bar("carriers", scenario.run.warm_up + scenario.run.carriers) as progress:
        rehearsal = rehearse(scenario, progress=progress)
    data = json_text(rehearsal.to_plain())
    with doing("drawing the figures"):
        files = {
            "results.json": data.encode(),
            **_tables(rehearsal, traced=traced),
            **_pictures(rehearsal, middle=middle, units=units),
        }
    return Answer(
        text=lambda: summary(rehearsal.results, criteria=criteria_of(scenario), units=units),
        json=data,
        files=files,
        status=NOT_ACCEPTED if gate and not rehearsal.results.accepted else 0,
    )


def _middle(scenario: Scenario, around: int | None) -> int:
    from feedsim.errors import Fault, FeedsimError

    last = scenario.run.warm_up + scenario.run.carriers - 1
    if around is None:
        return min(scenario.run.warm_up + 1, last)
    if not 0 <= around <= last:
        raise FeedsimError(
            Fault("--around", found=str(around), allowed=f"a carrier from 0 to {last}")
        )
    return around


def _tables(rehearsal: Rehearsal, *, traced: bool) -> dict[str, Content]:
    from feedsim.output.product.rows import products_csv
    from feedsim.output.rows import carriers_csv, events_csv
    from feedsim.output.stops.rows import stops_csv
    from feedsim.studies.run import criteria_of, trace

    files: dict[str, Content] = {"carriers.csv": carriers_csv(rehearsal.records)}
    if len(rehearsal.machine.feeders) > 1 or rehearsal.machine.divert is not None:
        files["products.csv"] = products_csv(
            rehearsal.records, rehearsal.machine, criteria=criteria_of(rehearsal.scenario)
        )
    if rehearsal.records.stops:
        files["stops.csv"] = stops_csv(rehearsal.records)
    if traced:
        files["events.csv"] = events_csv(trace(rehearsal.scenario)[1])
    return files


def _pictures(rehearsal: Rehearsal, *, middle: int, units: System) -> dict[str, bytes]:
    from feedsim.output.canvas import pictures
    from feedsim.output.placement.figure import placement_figures
    from feedsim.output.product.figure import product_figure
    from feedsim.output.timing.figure import timing_figure
    from feedsim.output.timing.view import carriers_around
    from feedsim.studies.run import criteria_of, trace

    scenario = rehearsal.scenario
    figures = placement_figures(
        rehearsal.results, rehearsal.records, criteria=criteria_of(scenario), units=units
    )
    if len(scenario.feeder) > 1:
        figures["product"] = product_figure(rehearsal.results, rehearsal.machine, units=units)
    records, kept = trace(scenario, around=carriers_around(rehearsal.machine, middle))
    came = records.carriers.eye_time_s[middle] >= 0.0  # a run that was given up ends before some
    for number, feeder in enumerate(scenario.feeder if came else ()):
        name = "timing" if len(scenario.feeder) == 1 else f"timing-{number}"
        figures[name] = timing_figure(
            rehearsal.machine,
            records,
            kept,
            feeder=number,
            carrier=middle,
            title=f"{scenario.title} · {feeder.name}",
            units=units,
        )
    return pictures(figures)
