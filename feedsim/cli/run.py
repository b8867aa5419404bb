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
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.run import Rehearsal

__all__ = ["run"]

NOT_ACCEPTED = 1
_NARROWEST = 80


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
    from feedsim.cli.progress import doing, progress_bar
    from feedsim.output.files import try_folder, write_all
    from feedsim.studies.run import rehearse

    changes = changes_of(settings, carriers=carriers, seed=seed)
    checked = read_scenario(scenario, changes, speed=speed)
    middle = _middle(checked, around)
    folder = out if out is not None else Path("plots") / scenario.stem
    try_folder(folder)
    total = checked.run.warm_up + checked.run.carriers
    with progress_bar("carriers", total) as progress:
        rehearsal = rehearse(checked, progress=progress)
    with doing("drawing the figures"):
        files = _files(rehearsal, middle=middle, traced=trace, units=units.value)
        write_all(folder, files)
    _tell_of_older_files(folder, files)
    _report(rehearsal, folder, files=files, as_json=as_json, units=units.value)
    return NOT_ACCEPTED if gate and not rehearsal.results.accepted else 0


def _tell_of_older_files(folder: Path, files: dict[str, Content]) -> None:
    """Say which files of an earlier run lie beside the new ones, so that nobody mixes them."""
    ours = (
        "events.csv",
        "products.csv",
        "stops.csv",
        "placement*.png",
        "placement*.svg",
        "product.png",
        "product.svg",
        "timing*.png",
        "timing*.svg",
    )
    older = sorted({p.name for form in ours for p in folder.glob(form)} - files.keys())
    if older:
        typer.echo(f"note: from an earlier run, left as they are: {', '.join(older)}", err=True)


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


def _files(rehearsal: Rehearsal, *, middle: int, traced: bool, units: System) -> dict[str, Content]:
    from feedsim.output.json_text import json_text
    from feedsim.output.product.rows import products_csv
    from feedsim.output.rows import carriers_csv, events_csv
    from feedsim.output.stops.rows import stops_csv
    from feedsim.studies.run import criteria_of, trace

    files: dict[str, Content] = {
        "results.json": json_text(rehearsal.to_plain()).encode(),
        "carriers.csv": carriers_csv(rehearsal.records),
    }
    if len(rehearsal.machine.feeders) > 1 or rehearsal.machine.divert is not None:
        files["products.csv"] = products_csv(
            rehearsal.records, rehearsal.machine, criteria=criteria_of(rehearsal.scenario)
        )
    if rehearsal.records.stops:
        files["stops.csv"] = stops_csv(rehearsal.records)
    if traced:
        files["events.csv"] = events_csv(trace(rehearsal.scenario)[1])
    return files | _pictures(rehearsal, middle=middle, units=units)


def _pictures(rehearsal: Rehearsal, *, middle: int, units: System) -> dict[str, Content]:
    from feedsim.output.canvas import render
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
    pictures: dict[str, Content] = {}
    for name, figure in figures.items():
        pictures[f"{name}.png"] = render(figure, "png")
        pictures[f"{name}.svg"] = render(figure, "svg")
    return pictures


def _report(
    rehearsal: Rehearsal,
    folder: Path,
    *,
    files: dict[str, Content],
    as_json: bool,
    units: System,
) -> None:
    from rich.console import Console

    from feedsim.output.json_text import json_text
    from feedsim.output.summary import summary
    from feedsim.studies.run import criteria_of

    written = f"wrote {', '.join(files)} to {folder}"
    if as_json:
        typer.echo(json_text(rehearsal.to_plain()), nl=False)
        typer.echo(written, err=True)
        return
    console = Console()
    # a narrower terminal wraps the lines itself; cut-off columns would hide what matters
    console.width = max(console.width, _NARROWEST)
    console.print(summary(rehearsal.results, criteria=criteria_of(rehearsal.scenario), units=units))
    typer.echo(written)
