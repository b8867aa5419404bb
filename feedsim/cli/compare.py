"""``feedsim compare``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from feedsim.cli.options import (
    Carriers,
    Jobs,
    OnCluster,
    Replications,
    Settings,
    UnitChoice,
    Units,
    changes_of,
    tell,
    where_from,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.output.files import Content
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.compare import Comparison
    from feedsim.studies.executor import Where

__all__ = ["compare"]


def compare(
    scenarios: Annotated[
        list[Path],
        typer.Argument(
            metavar="SCENARIO...",
            help="Scenarios to compare, TOML files; the others are held against the first.",
            show_default=False,
        ),
    ],
    but: Annotated[
        list[str] | None,
        typer.Option(
            "--but",
            metavar='"KEY=VALUE; ..."',
            help="One more setup: the first scenario with these keys changed. A name may stand "
            'before it, "NAME: KEY=VALUE; ...". May be given again.',
            show_default=False,
        ),
    ] = None,
    settings: Settings = None,
    speeds: Annotated[
        str | None,
        typer.Option(
            "--speeds",
            metavar="SPEEDS",
            help='Line speeds, "20:120:10 m/min" or "20,45,60 m/min"  '
            "[default: from \\[sweep] of the first]",
            show_default=False,
        ),
    ] = None,
    replications: Replications = None,
    carriers: Carriers = None,
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the files  [default: plots/<first scenario>/compare]",
            show_default=False,
        ),
    ] = None,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print compare.json on standard output.")
    ] = False,
) -> int:
    """Compare setups on the same cards: which is better at what, and where it is not decided.

    Prints it in words and as a table of paired differences, and writes compare.csv, compare.json
    and a figure.
    """
    from feedsim.cli.delivery import deliver

    where = where_from(jobs, cluster)
    changes = changes_of(settings, carriers=carriers, replications=replications)
    what = _what(scenarios, but or [], changes, speeds=speeds)
    return deliver(
        "compare",
        lambda _: _answer(what, where, units=units.value),
        folder=out if out is not None else Path("plots") / scenarios[0].stem / "compare",
        as_json=as_json,
    )


def _answer(what: Comparison, where: Where, *, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.compare.text import compare_text
    from feedsim.output.json_text import json_text

    plain: Mapping[str, Any] = what.to_plain(_run(what, where))
    with doing("drawing the figures"):
        files = _files(what, plain, units=units)
    return Answer(
        text=lambda: compare_text(plain, units=units),
        json=json_text(plain),
        files=files,
        notes=plain["notes"],
    )


def _what(
    paths: list[Path], buts: list[str], changes: list[str], *, speeds: str | None
) -> Comparison:
    from feedsim.studies.axes import parse_speeds, speeds_of
    from feedsim.studies.compare import Comparison, setups_of

    files = _read(paths, changes)
    setups = setups_of(files, buts)
    sweep = setups[0].scenario.sweep
    axis = speeds_of(sweep.speeds_mm_s) if speeds is None else parse_speeds(speeds)
    return Comparison(setups, axis, sweep.replications)


def _read(paths: list[Path], changes: list[str]) -> list[tuple[str, Scenario]]:
    """Read all files, and tell of all faults of all of them at once."""
    from feedsim.errors import Fault, FeedsimError
    from feedsim.scenario import load_scenario

    stems = [path.stem for path in paths]
    alike = len({str(path) for path in paths}) > len(set(stems))
    files: list[tuple[str, Scenario]] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            scenario = load_scenario(path, overrides=changes)
        except FeedsimError as error:
            name = str(path)
            faults += [f if f.key == name else Fault(name, message=str(f)) for f in error.faults]
            continue
        files.append((str(path) if alike else path.stem, scenario))
    if faults:
        raise FeedsimError(*faults)
    return files


def _run(what: Comparison, where: Where) -> list[dict[str, Any]]:
    from feedsim.cli.progress import progress_bar
    from feedsim.studies.compare import run_compare

    with progress_bar("speeds", len(what.axis.values)) as progress:
        return run_compare(
            what,
            where=where,
            on_point=progress or (lambda _: None),
            on_lost=tell,
        )


def _files(what: Comparison, plain: Mapping[str, Any], *, units: System) -> dict[str, Content]:
    from feedsim.output.canvas import pictures
    from feedsim.output.compare.figure import compare_figures
    from feedsim.output.compare.rows import compare_csv
    from feedsim.output.json_text import json_text
    from feedsim.studies.run import criteria_of

    criteria = criteria_of(what.setups[0].scenario)
    return {
        "compare.json": json_text(plain).encode(),
        "compare.csv": compare_csv(plain["points"]),
        **pictures(compare_figures(plain, criteria=criteria, units=units)),
    }
