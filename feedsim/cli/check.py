"""``feedsim check``."""

from __future__ import annotations

import typer

from feedsim.cli.options import AsJson, ScenarioPath, Settings, Speed, Units, read_line
from feedsim.errors import printable


def check(
    scenario: ScenarioPath,
    speed: Speed = None,
    settings: Settings = None,
    units: Units = None,
    as_json: AsJson = False,
) -> int:
    """Check a scenario without running it.

    Says whether it is valid, its geometry in words, the settings that "auto" stands for, and
    what an experienced eye would warn of.
    """
    from feedsim.answers.check import answer as answers
    from feedsim.cli.delivery import print_now
    from feedsim.cli.progress import doing

    line = read_line(scenario, settings, speed=speed)
    with doing("looking the scenario over"):
        found = answers.check(line)
        text = "" if as_json else found.text(units=units)
    if as_json:
        return print_now(found, units=units, as_json=True)
    typer.echo(f"{printable(str(scenario))}: valid\n\n{text}")
    return 0
