"""``feedsim compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    Carriers,
    Engine,
    Jobs,
    OnCluster,
    Replications,
    Settings,
    Units,
    changes_of,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.answers.line import Line
    from feedsim.cli.delivery import Answer

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
    engine: Engine = None,
    units: Units = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print compare.json on standard output.")
    ] = False,
) -> int:
    """Compare setups on the same cards: which is better at what, and where it is not decided.

    Prints it in words and as a table of paired differences, and writes compare.csv, compare.json
    and a figure.
    """
    from feedsim.answers.compare.answer import compared, contest
    from feedsim.answers.where import where_of
    from feedsim.cli.delivery import deliver, handed
    from feedsim.cli.progress import progress_bar

    use_engine(engine)
    where = where_of(jobs, cluster)
    changes = changes_of(settings, carriers=carriers, replications=replications)
    what = contest(_read(scenarios, changes), but=but or [], speeds=speeds)

    def find(_: object) -> Answer:
        with progress_bar("speeds", len(what.axis.values)) as progress:
            found = compared(what, where=where, on_point=progress or (lambda _: None), on_lost=tell)
        return handed(found, units=units, notes=what.notes)

    folder = out if out is not None else Path("plots") / scenarios[0].stem / "compare"
    return deliver("compare", find, folder=folder, as_json=as_json)


def _read(paths: list[Path], changes: list[str]) -> list[Line]:
    """Read all files, and tell of all faults of all of them at once."""
    from dataclasses import replace

    from feedsim.answers.line import load
    from feedsim.errors import Fault, FeedsimError

    stems = [path.stem for path in paths]
    alike = len({str(path) for path in paths}) > len(set(stems))
    lines: list[Line] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            line = load(path, changes)
        except FeedsimError as error:
            name = str(path)
            faults += [f if f.key == name else Fault(name, message=str(f)) for f in error.faults]
            continue
        lines.append(replace(line, name=str(path)) if alike else line)
    if faults:
        raise FeedsimError(*faults)
    return lines
