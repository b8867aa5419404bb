"""Arguments and options that several commands share."""

from __future__ import annotations

import math
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from feedsim.scenario import Scenario

__all__ = [
    "Carriers",
    "Jobs",
    "ScenarioPath",
    "Settings",
    "Speed",
    "UnitChoice",
    "Units",
    "read_scenario",
]


class UnitChoice(StrEnum):
    """Units that people see."""

    metric = "metric"
    inch = "inch"


ScenarioPath = Annotated[
    Path, typer.Argument(metavar="SCENARIO", help="The scenario, a TOML file.", show_default=False)
]
Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help='Override a key, such as feeder.0.insert.gap="60 mm". May be given again.',
        show_default=False,
    ),
]
Carriers = Annotated[
    int | None, typer.Option("--carriers", help="Carriers in each run.", show_default=False)
]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs", help="Processes  [default: one for each core]", show_default=False, min=1
    ),
]
Speed = Annotated[
    str | None,
    typer.Option(
        "--speed",
        metavar="SPEED",
        help='Line speed to run at, such as "80 m/min". A profile is scaled to it.',
        show_default=False,
    ),
]
Units = Annotated[UnitChoice, typer.Option("--units", help="Units of what people read.")]


def read_scenario(path: Path, overrides: list[str] | None, *, speed: str | None) -> Scenario:
    """Load a scenario with what the command line changes about it.

    Raises
    ------
    FeedsimError
        If the file or an override is wrong.
    """
    from feedsim.errors import Fault, FeedsimError
    from feedsim.quantities import QuantityError, parse
    from feedsim.scenario import at_line_speed, load_scenario

    scenario = load_scenario(path, overrides=overrides or ())
    if speed is None:
        return scenario
    try:
        wanted = parse(speed, "speed")
    except QuantityError as error:
        raise FeedsimError(Fault("--speed", message=str(error))) from None
    if not 0.0 < wanted < math.inf:
        raise FeedsimError(
            Fault("--speed", found=repr(speed), allowed='a speed above 0, such as "80 m/min"')
        )
    return at_line_speed(scenario, wanted)
