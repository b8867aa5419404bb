"""``feedsim check``."""

from __future__ import annotations

import typer

from feedsim.cli.options import ScenarioPath, Settings, Speed, Units, read_line
from feedsim.errors import printable


def check(
    scenario: ScenarioPath,
    speed: Speed = None,
    settings: Settings = None,
    units: Units = None,
) -> None:
    """Check a scenario without running it.

    Says whether it is valid, its geometry in words, the settings that "auto" stands for, and
    what an experienced eye would warn of.
    """
    from feedsim.answers.check import answer as answers
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings, speed=speed)
    with doing("looking the scenario over"):
        found = answers.check(line)
        text = found.text(units=units)
    typer.echo(f"{printable(str(scenario))}: valid\n\n{text}")
