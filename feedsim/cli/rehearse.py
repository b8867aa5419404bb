"""``feedsim rehearse``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import Settings, Speed, Units, argument, option, out_option, read_lines

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer
    from feedsim.answers.line import Line


def rehearse(
    scenarios: Annotated[
        list[Path],
        argument(
            "SCENARIO [SCENARIO]",
            "The scenario, a TOML file; a second one to see both lines on one clock.",
        ),
    ],
    but: Annotated[
        list[str] | None,
        option(
            "--but",
            "KEY=VALUE",
            "Show it beside the same scenario with this key changed. May be given again.",
        ),
    ] = None,
    around: Annotated[
        int | None,
        option("--around", "CARRIER", "Carrier in the middle, by its number in carriers.csv."),
    ] = None,
    first: Annotated[
        int | None,
        option("--from", "CARRIER", "First carrier. [default: the first counted one]"),
    ] = None,
    count: Annotated[
        int | None,
        option("--count", "N", "How many carriers. [default: 200, and 21 around one]"),
    ] = None,
    first_miss: Annotated[
        bool, typer.Option("--first-miss", help="Around the first carrier that is missed.")
    ] = False,
    first_hazard: Annotated[
        bool,
        typer.Option("--first-hazard", help="Around the first carrier with a hazard in its cycle."),
    ] = False,
    speed: Speed = None,
    settings: Settings = None,
    out: Annotated[Path | None, out_option("rehearse")] = None,
    units: Units = None,
) -> int:
    """Make a page that plays a stretch of the run: the line from the side, and its timing.

    Writes rehearse.html, one file that any browser opens from disk, offline.
    """
    from feedsim.answers.rehearse import answer as answers
    from feedsim.cli.delivery import deliver
    from feedsim.cli.progress import progress_bar

    lines = _lines(scenarios, but or [], settings, speed=speed)

    def find(_: object) -> Answer:
        counted = lines[0].scenario.run
        with progress_bar("carriers", counted.warm_up + counted.carriers) as progress:
            return answers.rehearse(
                *lines,
                around=around,
                start=first,
                count=count,
                first_miss=first_miss,
                first_hazard=first_hazard,
                progress=progress,
            )

    folder = out if out is not None else Path("plots") / scenarios[0].stem / "rehearse"
    return deliver("rehearse", find, folder=folder, units=units, pictures=False)


def _lines(
    paths: list[Path], but: list[str], settings: list[str] | None, *, speed: str | None
) -> list[Line]:
    """Return one line, or two with their names."""
    from dataclasses import replace

    from feedsim.answers.rehearse.answer import at_most_two
    from feedsim.scenario import override

    at_most_two(len(paths) + bool(but), with_but=True)
    found = read_lines(paths, settings, speed=speed)
    if but:
        scenario = override(found[0].scenario, but)
        found.append(replace(found[0], scenario=scenario, name=", ".join(but)))
    return found
