"""``feedsim sweep``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    UnitChoice,
    Units,
    read_scenario,
)

if TYPE_CHECKING:
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.studies.sweep import Sweep

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
    replications: Annotated[
        int | None,
        typer.Option("--replications", help="Runs at each speed.", show_default=False),
    ] = None,
    carriers: Annotated[
        int | None, typer.Option("--carriers", help="Carriers in each run.", show_default=False)
    ] = None,
    settings: Settings = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            "--jobs", help="Processes  [default: one for each core]", show_default=False, min=1
        ),
    ] = None,
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
    """Run a scenario at many line speeds, on the same cards.

    Prints a table and writes sweep.csv, sweep.json, an overview figure and report.html.
    """
    from feedsim.output.files import try_folder, write_all
    from feedsim.output.unfinished import Unfinished

    what = _what(scenario, speeds, replications, carriers=carriers, settings=settings)
    folder = out if out is not None else Path("plots") / scenario.stem / "sweep"
    try_folder(folder)
    kept = Unfinished(folder, what.fingerprint)
    known = kept.resume() if resume else {}
    if not resume:
        kept.begin()
    try:
        points = _run(what, kept, known=known, jobs=jobs)
    except KeyboardInterrupt:
        typer.echo(
            f"interrupted: the finished points are kept in {folder}; --resume goes on from them",
            err=True,
        )
        return INTERRUPTED
    files = _files(what, points, units=units.value)
    write_all(folder, files)
    kept.forget()
    _report(what, points, folder, files=files, as_json=as_json, units=units.value)
    return 0


def _what(
    path: Path,
    speeds: str | None,
    replications: int | None,
    *,
    carriers: int | None,
    settings: list[str] | None,
) -> Sweep:
    from feedsim.studies.axes import parse_speeds, speeds_of
    from feedsim.studies.sweep import Sweep

    changes = [*(settings or [])]
    if carriers is not None:
        changes.append(f"run.carriers={carriers}")
    if replications is not None:
        changes.append(f"sweep.replications={replications}")
    scenario = read_scenario(path, changes, speed=None)
    axis = speeds_of(scenario.sweep.speeds_mm_s) if speeds is None else parse_speeds(speeds)
    return Sweep(scenario, (axis,), scenario.sweep.replications)


def _run(
    what: Sweep, kept: Any, *, known: dict[int, Mapping[str, Any]], jobs: int | None
) -> list[Mapping[str, Any]]:
    import os

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
            jobs=jobs or os.cpu_count() or 1,
            known=known,
            on_point=finished,
            on_lost=lambda words: typer.echo(words, err=True),
        )


def _files(what: Sweep, points: list[Mapping[str, Any]], *, units: System) -> dict[str, Content]:
    from feedsim.output.canvas import render
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep_figure import sweep_figures
    from feedsim.output.sweep_report import sweep_report
    from feedsim.output.sweep_rows import sweep_csv
    from feedsim.studies.review import review
    from feedsim.studies.run import criteria_of

    plain = what.to_plain(points)
    files: dict[str, Content] = {
        "sweep.json": json_text(plain).encode(),
        "sweep.csv": sweep_csv(points, axes=what.axes),
    }
    figures = sweep_figures(
        points,
        title=what.scenario.title,
        criteria=criteria_of(what.scenario),
        units=units,
    )
    pictures = {name: render(figure, "png") for name, figure in figures.items()}
    for name, figure in figures.items():
        files[f"{name}.png"] = pictures[name]
        files[f"{name}.svg"] = render(figure, "svg")
    files["report.html"] = sweep_report(
        plain,
        figures=pictures,
        settings=[feeder.settings for feeder in review(what.scenario).feeders],
        units=units,
    ).encode()
    return files


def _report(
    what: Sweep,
    points: list[Mapping[str, Any]],
    folder: Path,
    *,
    files: Mapping[str, Content],
    as_json: bool,
    units: System,
) -> None:
    from feedsim.output.json_text import json_text
    from feedsim.output.sweep_text import sweep_text

    written = f"wrote {', '.join(files)} to {folder}"
    if as_json:
        typer.echo(json_text(what.to_plain(points)), nl=False)
        typer.echo(written, err=True)
        return
    typer.echo(sweep_text(what.to_plain(points), units=units))
    typer.echo(written)
