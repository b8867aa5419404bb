"""``feedsim sweep``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    AsJson,
    Carriers,
    Engine,
    Jobs,
    OnCluster,
    Replications,
    ScenarioPath,
    Settings,
    Units,
    changes_of,
    option,
    out_option,
    read_line,
    speeds_option,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.answers.sweep.answer import Sweep
    from feedsim.answers.sweep.study import SweepPlan
    from feedsim.answers.sweep.unfinished import Unfinished
    from feedsim.files.folder import OutputFolder
    from feedsim.running.executor import Where
    from feedsim.running.point import Point


def sweep(
    scenario: ScenarioPath,
    speeds: Annotated[str | None, speeds_option("the sweep speeds of the scenario")] = None,
    vary: Annotated[
        list[str] | None,
        option(
            "--vary",
            "KEY=VALUES",
            'Values of any key, "feeder.0.insert.gap=40:90:5 mm": at line speed, or crossed '
            "with --speeds or with a second --vary.",
        ),
    ] = None,
    replications: Replications = None,
    carriers: Carriers = None,
    settings: Settings = None,
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[Path | None, out_option("sweep")] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on from an interrupted sweep's points.")
    ] = False,
    pages: Annotated[
        bool,
        typer.Option(
            "--pages",
            help="Also write a page of each point that plays the line there; its point in "
            "report.html opens it.",
        ),
    ] = False,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Run a scenario at many line speeds, or with many values of a key, with common random numbers.

    Prints a table and writes sweep.csv, sweep.json, figures and report.html.
    """
    from feedsim.answers.sweep.answer import planned
    from feedsim.answers.where import where_of
    from feedsim.cli.delivery import deliver

    use_engine(engine)
    where_of(jobs, cluster)  # refused before all else
    changes = changes_of(settings, carriers=carriers, replications=replications)
    plan = planned(read_line(scenario, changes), speeds=speeds, vary=vary or [], pages=pages)
    return deliver(
        "sweep",
        lambda folder: replace(
            _answer(plan, folder, jobs=jobs, cluster=cluster, resume=resume), paged=pages
        ),
        folder=out if out is not None else Path("plots") / scenario.stem / "sweep",
        units=units,
        as_json=as_json,
    )


def _answer(
    plan: SweepPlan, folder: OutputFolder, *, jobs: int | None, cluster: str | None, resume: bool
) -> Sweep:
    """Run the points, storing each as it is done; work out the closed forms meanwhile."""
    import scipy.special  # noqa: F401 - once, not in each copy

    from feedsim.answers.limit.study.closed import closed_forms
    from feedsim.answers.sweep.answer import Sweep
    from feedsim.answers.where import quickest
    from feedsim.beside import beside
    from feedsim.cli.progress import doing
    from feedsim.running.run import machine_of

    with beside(lambda: closed_forms(plan.scenario)) as forms:
        where = quickest(machine_of(plan.scenario), plan.carriers, jobs=jobs, cluster=cluster)
        points = _points(plan, folder, where=where, resume=resume)
        with doing("working out the limits in closed form"):
            return Sweep.of(plan, points, forms())


def _points(plan: SweepPlan, folder: OutputFolder, *, where: Where, resume: bool) -> list[Point]:
    from feedsim.answers.sweep.study import run_sweep
    from feedsim.answers.sweep.unfinished import Unfinished
    from feedsim.cli.progress import progress_bar
    from feedsim.errors import FeedsimError
    from feedsim.running.provenance import versions

    kept = Unfinished(folder.points, plan.fingerprint, plan.points, made_by=versions())
    known = _known(kept, resume=resume)
    folder.keeps = kept
    done = len(known)
    with progress_bar("points", len(plan.points)) as progress:

        def finished(place: int, point: Point) -> None:
            nonlocal done
            kept.keep(place, point)
            done += 1
            if progress is not None:
                progress(done)

        try:
            return run_sweep(plan, where=where, known=known, on_point=finished, on_lost=tell)
        except FeedsimError:
            kept.forget_if_empty()
            raise


def _known(kept: Unfinished, *, resume: bool) -> dict[int, Point]:
    """Return the stored points that can be reused; report the others."""
    if resume:
        known, unfit = kept.resume()
        for words in unfit:
            tell(f"note: {words}; it is not used, but run again")
        return known
    forgotten = kept.begin()
    if forgotten:
        tell(f"note: {forgotten} stored points are discarded; --resume would have reused them")
    return {}
