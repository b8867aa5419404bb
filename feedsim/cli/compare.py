"""``feedsim compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from feedsim.cli.options import (
    AsJson,
    Carriers,
    Engine,
    Jobs,
    OnCluster,
    Replications,
    Settings,
    Units,
    argument,
    changes_of,
    option,
    out_option,
    read_lines,
    speeds_option,
    tell,
    use_engine,
)

if TYPE_CHECKING:
    from feedsim.cli.delivery import Handed


def compare(
    scenarios: Annotated[
        list[Path],
        argument(
            "SCENARIO...",
            "Scenarios to compare, TOML files; the others are compared with the first.",
        ),
    ],
    but: Annotated[
        list[str] | None,
        option(
            "--but",
            '"KEY=VALUE; ..."',
            "One more setup: the first scenario with these keys changed. A name may stand "
            'before it, "NAME: KEY=VALUE; ...". May be given again.',
        ),
    ] = None,
    settings: Settings = None,
    speeds: Annotated[str | None, speeds_option("the sweep speeds of the first")] = None,
    replications: Replications = None,
    carriers: Carriers = None,
    jobs: Jobs = None,
    cluster: OnCluster = None,
    out: Annotated[Path | None, out_option("compare")] = None,
    engine: Engine = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Compare setups with common random numbers: which is better, and where it is undecided.

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
    what = contest(read_lines(scenarios, changes), but=but or [], speeds=speeds)

    def find(_: object) -> Handed:
        steps = len(what.axis.values) + len(what.setups)  # these in closed form
        with progress_bar("speeds, then each setup in closed form", steps) as progress:
            found = compared(what, where=where, on_point=progress or (lambda _: None), on_lost=tell)
        return handed(found, units=units, notes=what.notes)

    folder = out if out is not None else Path("plots") / scenarios[0].stem / "compare"
    return deliver("compare", find, folder=folder, units=units, as_json=as_json)
