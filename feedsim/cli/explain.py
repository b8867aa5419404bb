"""``feedsim explain``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    AsJson,
    ScenarioPath,
    Seed,
    Settings,
    Speed,
    Units,
    changes_of,
    option,
    out_option,
    read_line,
)

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer
    from feedsim.answers.explain.answer import First


def explain(
    scenario: ScenarioPath,
    carrier: Annotated[
        int | None,
        option("--carrier", "N", "Which carrier, by its number in carriers.csv."),
    ] = None,
    first_miss: Annotated[
        bool, typer.Option("--first-miss", help="The first carrier that was missed, instead.")
    ] = False,
    first_hazard: Annotated[
        bool,
        typer.Option(
            "--first-hazard", help="The first one whose feed cycle had a hazard, instead."
        ),
    ] = False,
    feeder: Annotated[
        int | None,
        option("--feeder", "N", "At which feeder, from 0. [default: all]"),
    ] = None,
    speed: Speed = None,
    carriers: Annotated[int | None, option("--carriers", "N", "Carriers in the run.")] = None,
    seed: Seed = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option("explain")] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Tell one carrier's story: what happened, what each delay cost, why it ended so.

    The parts of the placement error add up to it. Writes explain.json, and a figure of the parts.
    """
    from feedsim.answers.explain import answer as answers
    from feedsim.cli.delivery import deliver
    from feedsim.cli.progress import doing
    from feedsim.errors import FeedsimError

    changes = changes_of(settings, carriers=carriers, seed=seed)
    line = read_line(scenario, changes, speed=speed)
    if (carrier is not None) + first_miss + first_hazard != 1:
        raise FeedsimError("explain needs one of --carrier N, --first-miss and --first-hazard")
    first: First | None = "miss" if first_miss else "hazard" if first_hazard else None

    def find(_: object) -> Answer:
        with doing("running the line and analysing the carrier"):
            return answers.explain(line, carrier, first=first, feeder=feeder)

    folder = out if out is not None else Path("plots") / scenario.stem / "explain"
    return deliver("explain", find, folder=folder, units=units, as_json=as_json)
