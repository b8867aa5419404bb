"""``feedsim rehearse``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import Settings, Speed, UnitChoice, Units, read_scenario

if TYPE_CHECKING:
    from feedsim.cli.delivery import Answer
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.scene.choice import Choice, Wanted

__all__ = ["rehearse"]


def rehearse(
    scenarios: Annotated[
        list[Path],
        typer.Argument(
            metavar="SCENARIO [SCENARIO]",
            help="The scenario, a TOML file; a second one to see both lines on one clock.",
            show_default=False,
        ),
    ],
    but: Annotated[
        list[str] | None,
        typer.Option(
            "--but",
            metavar="KEY=VALUE",
            help="See it beside the same scenario with this key changed. May be given again.",
            show_default=False,
        ),
    ] = None,
    around: Annotated[
        int | None,
        typer.Option(
            "--around",
            metavar="CARRIER",
            help="Carrier in the middle, by its number in carriers.csv.",
            show_default=False,
        ),
    ] = None,
    first: Annotated[
        int | None,
        typer.Option(
            "--from",
            metavar="CARRIER",
            help="First carrier  [default: the first counted one]",
            show_default=False,
        ),
    ] = None,
    count: Annotated[
        int | None,
        typer.Option(
            "--count",
            help="How many carriers  [default: 200, and 21 around one]",
            show_default=False,
        ),
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
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the page  [default: plots/<scenario>/rehearse]",
            show_default=False,
        ),
    ] = None,
    units: Units = UnitChoice.metric,
) -> int:
    """Make a page that plays a stretch of the run: the line from the side, and its timing.

    Writes rehearse.html, one file that any browser opens from disk, offline.
    """
    from feedsim.cli.delivery import deliver
    from feedsim.studies.scene.choice import Wanted

    setups = _setups(scenarios, but or [], settings, speed=speed)
    wanted = Wanted(around, first, count, miss=first_miss, hazard=first_hazard)
    return deliver(
        "rehearse",
        lambda _: _answer(setups, wanted, units=units.value),
        folder=out if out is not None else Path("plots") / scenarios[0].stem / "rehearse",
        pictures=False,
    )


def _answer(setups: Sequence[tuple[str, Scenario]], wanted: Wanted, *, units: System) -> Answer:
    from feedsim.cli.delivery import Answer
    from feedsim.cli.progress import doing
    from feedsim.output.rehearse.page import rehearse_page
    from feedsim.studies.scene.differences import differences
    from feedsim.studies.scene.scene import scene

    what = [scenario for _, scenario in setups]
    choice = _choose(what, wanted)
    with doing("making the page"):
        scenes = [scene(scenario, choice, name=name, units=units) for name, scenario in setups]
        page = rehearse_page(
            scenes, differences=differences(*what) if len(what) == 2 else (), units=units
        )
    return Answer(text=lambda: _text(what, choice), json="", files={"rehearse.html": page.encode()})


def _setups(
    paths: list[Path], but: list[str], settings: list[str] | None, *, speed: str | None
) -> list[tuple[str, Scenario]]:
    """Return one setup, or two with their names."""
    from feedsim.errors import Fault, FeedsimError
    from feedsim.scenario import override

    if len(paths) + bool(but) > 2:
        message = "shows one scenario or two; --but makes the second one itself"
        raise FeedsimError(Fault("SCENARIO", message=message))
    found, faults = [], []
    for path in paths:
        try:
            found.append((path.stem, read_scenario(path, settings, speed=speed)))
        except FeedsimError as error:
            faults += [f for f in error.faults if f not in faults]
    if faults:
        raise FeedsimError(*faults)
    if but:
        found.append((", ".join(but), override(found[0][1], but)))
    if len(found) == 2:
        return [
            (f"{letter}  {name}", what) for letter, (name, what) in zip("AB", found, strict=True)
        ]
    return found


def _choose(what: Sequence[Scenario], wanted: Wanted) -> Choice:
    from feedsim.cli.progress import progress_bar
    from feedsim.studies.scene.choice import choose

    with progress_bar("carriers", what[0].run.warm_up + what[0].run.carriers) as progress:
        return choose(what, wanted, progress=progress)


def _text(what: Sequence[Scenario], choice: Choice) -> str:
    first, last = choice.carriers.start, choice.carriers.stop - 1
    words = f"carriers {first} to {last}" if last > first else f"carrier {first}"
    if choice.because == "miss":
        words += f", around carrier {choice.focus}, the first that is missed"
    elif choice.because == "hazard":
        words += f", around carrier {choice.focus}, the first with a hazard"
    return "\n".join([*(scenario.title for scenario in what), words])
