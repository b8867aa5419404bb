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
    from feedsim.cli.delivery import Answer
    from feedsim.output.files import Content
    from feedsim.output.folder import OutputFolder
    from feedsim.output.unfinished import Unfinished
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.settings.limits import SpeedLimit
    from feedsim.studies.executor import Where
    from feedsim.studies.sweep import Sweep

    Limits = Sequence[Sequence[SpeedLimit]]

__all__ = ["sweep"]


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
    from feedsim.cli.delivery import deliver

    where = where_from(jobs, cluster)
    changes = changes_of(settings, carriers=carriers, replications=replications)
    what = _what(read_scenario(scenario, changes, speed=None), speeds, vary or [])
    return deliver(
        "sweep",
        lambda folder: _answer(what, folder, where=where, resume=resume, units=units.value),
        folder=out if out is not None else Path("plots") / scenario.stem / "sweep",
        as_json=as_json,
    )


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


def _answer(
    what: Sweep, folder: OutputFolder, *, where: Where, resume: bool, units: System
) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep.text import sweep_text
    from feedsim.studies.limit.plain import limits_plain
    from feedsim.studies.limit.search import closed_limits

    points = _run(what, folder, where=where, resume=resume)
    with doing("working out the limits"):
        limits = closed_limits(what.scenario)
        plain: Mapping[str, Any] = {
            **what.to_plain(points),
            "closed_form": limits_plain(what.scenario, limits),
        }
    with doing("drawing figures and report"):
        files = _files(what, plain, limits=limits, units=units)
    return Answer(text=lambda: sweep_text(plain, units=units), json=json_text(plain), files=files)


def _run(
    what: Sweep, folder: OutputFolder, *, where: Where, resume: bool
) -> list[Mapping[str, Any]]:
    from feedsim.cli.progress import progress_bar
    from feedsim.errors import FeedsimError
    from feedsim.output.unfinished import Unfinished
    from feedsim.studies.provenance import versions
    from feedsim.studies.sweep import run_sweep

    kept = Unfinished(folder.points, what.fingerprint, what.points, made_by=versions())
    known = _known(kept, resume=resume)
    folder.keeps = kept
    done = len(known)
    with progress_bar("points", len(what.points)) as progress:

        def finished(place: int, results: Mapping[str, Any]) -> None:
            nonlocal done
            kept.keep(place, results)
            done += 1
            if progress is not None:
                progress(done)

        try:
            return run_sweep(what, where=where, known=known, on_point=finished, on_lost=tell)
        except FeedsimError:
            kept.forget_if_empty()
            raise


def _known(kept: Unfinished, *, resume: bool) -> dict[int, Mapping[str, Any]]:
    """Return the points that need not be run, and say what becomes of the others that are kept."""
    if resume:
        known, unfit = kept.resume()
        for words in unfit:
            tell(f"note: {words}; it is not used, and run again")
        return known
    forgotten = kept.begin()
    if forgotten:
        tell(f"note: {forgotten} kept points are forgotten; --resume would have looked at them")
    return {}


def _files(
    what: Sweep, plain: Mapping[str, Any], *, limits: Limits, units: System
) -> dict[str, Content]:
    from feedsim.output.canvas import pictures
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep.report import sweep_report
    from feedsim.output.sweep.rows import sweep_csv
    from feedsim.studies.review.review import review

    points = plain["points"]
    drawn = pictures(_figures(what, points, limits=limits, units=units))
    report = sweep_report(
        plain,
        figures={name[:-4]: data for name, data in drawn.items() if name.endswith(".png")},
        settings=[feeder.settings for feeder in review(what.scenario).feeders],
        limits=limits,
        units=units,
    )
    return {
        "sweep.json": json_text(plain).encode(),
        "sweep.csv": sweep_csv(points, axes=what.axes),
        **drawn,
        "report.html": report.encode(),
    }


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
