"""``feedsim check``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Settings,
    Speed,
    UnitChoice,
    Units,
    read_scenario,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["check"]


def check(
    scenario: ScenarioPath,
    speed: Speed = None,
    settings: Settings = None,
    units: Units = UnitChoice.metric,
) -> None:
    """Look a scenario over without running it.

    Says whether it is valid, its geometry in words, the settings that "auto" stands for, and
    what an experienced eye would warn of.
    """
    from feedsim.cli.progress import doing
    from feedsim.output.review_text import settings_line
    from feedsim.studies.review.review import review

    what = read_scenario(scenario, settings, speed=speed)
    with doing("looking the scenario over"):
        seen = review(what, units=units.value)
    typer.echo(f"{scenario}: valid")
    typer.echo(f"\n{seen.title}")
    _items(seen.words)
    count = len(seen.warnings)
    for feeder in seen.feeders:
        typer.echo(f"\nFeeder: {feeder.name}")
        _items(feeder.words)
        _items(settings_line(feeder.settings, units=units.value))
        count += len(feeder.warnings)
    if not count:
        typer.echo("\nNo warnings.")
        return
    typer.echo(f"\n{count} {'warning' if count == 1 else 'warnings'}:")
    _items(seen.warnings, mark="!")
    for feeder in seen.feeders:
        prefix = f"{feeder.name}: " if len(seen.feeders) > 1 else ""
        _items((prefix + warning for warning in feeder.warnings), mark="!")


def _items(lines: Iterable[str], *, mark: str = "-") -> None:
    import textwrap

    for line in lines:
        typer.echo(textwrap.fill(line, 88, initial_indent=f"  {mark} ", subsequent_indent="    "))
