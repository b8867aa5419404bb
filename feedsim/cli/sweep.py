"""``feedsim sweep``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import (
    Carriers,
    Jobs,
    OnCluster,
    Replications,
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
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.settings.limits import SpeedLimit
    from feedsim.studies.executor import Where
    from feedsim.studies.sweep import Sweep

    Limits = Sequence[Sequence[SpeedLimit]]

__all__ = ["sweep"]

INTERRUPTED = 3


def sweep(
    scenario: ScenarioPath,
    speeds: Annotated[
        str | None,
        typer.Option(
            "--speeds",
            metavar="SPEEDS",
            help='Line speeds, "20:120:10 m/min" or "20,45,60 m/min"  [default: from \\[sweep]]',
            show_default=False,
        ),
    ] = None,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            "--vary",
            metavar="KEY=VALUES",
            help='Values of any key, "feeder.0.insert.gap=40:90:5 mm": at line speed, or crossed '
            "with --speeds or with a second --vary.",
            show_default=False,
        ),
    ] = None,
    replications: Replications = None,
    carriers: Carriers = None,
    settings: Settings = None,
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the files  [default: plots/<scenario>/sweep]",
            show_default=False,
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on from an interrupted sweep's points.")
    ] = False,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print sweep.json on standard output.")
    ] = False,
) -> int:
    """Run a scenario at many line speeds, or with many values of a key, on the same cards.

    Prints a table and writes sweep.csv, sweep.json, an overview figure and report.html.
    """
    from feedsim.cli.progress import doing
    from feedsim.errors import FeedsimError
    from feedsim.output.files import try_folder, write_all
    from feedsim.output.unfinished import Unfinished
    from feedsim.studies.limit.plain import limits_plain
    from feedsim.studies.limit.search import closed_limits

    where = where_from(jobs, cluster)
    changes = changes_of(settings, carriers=carriers, replications=replications)
    what = _what(read_scenario(scenario, changes, speed=None), speeds, vary or [])
    folder = out if out is not None else Path("plots") / scenario.stem / "sweep"
    try_folder(folder)
    kept = Unfinished(folder, what.fingerprint)
    known = kept.resume() if resume else {}
    if not resume:
        kept.begin()
    try:
        points = _run(what, kept, known=known, where=where)
    except KeyboardInterrupt:
        typer.echo(
            f"interrupted: the finished points are kept in {folder}; --resume goes on from them",
            err=True,
        )
        return INTERRUPTED
    except FeedsimError:
        kept.forget_if_empty()
        raise
    with doing("working out the limits"):
        limits = closed_limits(what.scenario)
        plain = {**what.to_plain(points), "closed_form": limits_plain(what.scenario, limits)}
    with doing("drawing figures and report"):
        files = _files(what, plain, limits=limits, units=units.value)
        write_all(folder, files)
    kept.forget()
    _report(plain, folder, files=files, as_json=as_json, units=units.value)
    return 0


def _what(scenario: Scenario, speeds: str | None, vary: list[str]) -> Sweep:
    from feedsim.studies.axes import parse_axis, parse_speeds, speeds_of
    from feedsim.studies.sweep import Sweep

    axes = [parse_axis(text) for text in vary]
    if speeds is not None:
        axes.append(parse_speeds(speeds))
    if not axes:
        axes.append(speeds_of(scenario.sweep.speeds_mm_s))
    axes.sort(key=lambda axis: axis.is_speed)
    what = Sweep(scenario, tuple(axes), scenario.sweep.replications)
    what.check()
    return what


def _run(
    what: Sweep, kept: Any, *, known: dict[int, Mapping[str, Any]], where: Where
) -> list[Mapping[str, Any]]:
    from feedsim.cli.progress import progress_bar
    from feedsim.studies.sweep import run_sweep

    done = len(known)
    with progress_bar("points", len(what.points)) as progress:

        def finished(place: int, results: Mapping[str, Any]) -> None:
            nonlocal done
            kept.keep(place, results)
            done += 1
            if progress is not None:
                progress(done)

        return run_sweep(
            what,
            where=where,
            known=known,
            on_point=finished,
            on_lost=tell,
        )


def _files(
    what: Sweep, plain: Mapping[str, Any], *, limits: Limits, units: System
) -> dict[str, Content]:
    from feedsim.output.canvas import render
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep.report import sweep_report
    from feedsim.output.sweep.rows import sweep_csv
    from feedsim.studies.review.review import review

    points = plain["points"]
    files: dict[str, Content] = {
        "sweep.json": json_text(plain).encode(),
        "sweep.csv": sweep_csv(points, axes=what.axes),
    }
    figures = _figures(what, points, limits=limits, units=units)
    pictures = {name: render(figure, "png") for name, figure in figures.items()}
    for name, figure in figures.items():
        files[f"{name}.png"] = pictures[name]
        files[f"{name}.svg"] = render(figure, "svg")
    files["report.html"] = sweep_report(
        plain,
        figures=pictures,
        settings=[feeder.settings for feeder in review(what.scenario).feeders],
        limits=limits,
        units=units,
    ).encode()
    return files


def _figures(
    what: Sweep, points: Sequence[Mapping[str, Any]], *, limits: Limits, units: System
) -> dict[str, Any]:
    from feedsim.output.sweep.figure import sweep_figures
    from feedsim.output.sweep.map import sweep_maps
    from feedsim.studies.run import criteria_of

    title, criteria = what.scenario.title, criteria_of(what.scenario)
    if len(what.axes) > 1:
        return sweep_maps(points, axes=what.axes, title=title, criteria=criteria, units=units)
    return sweep_figures(
        points, axes=what.axes, limits=limits, title=title, criteria=criteria, units=units
    )


def _report(
    plain: Mapping[str, Any],
    folder: Path,
    *,
    files: Mapping[str, Content],
    as_json: bool,
    units: System,
) -> None:
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep.text import sweep_text

    written = f"wrote {', '.join(files)} to {folder}"
    if as_json:
        typer.echo(json_text(plain), nl=False)
        typer.echo(written, err=True)
        return
    typer.echo(sweep_text(plain, units=units))
    typer.echo(written)
