"""``feedsim explain``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from feedsim.cli.options import (
    ScenarioPath,
    Seed,
    Settings,
    Speed,
    UnitChoice,
    Units,
    changes_of,
    read_scenario,
)

if TYPE_CHECKING:
    from feedsim.metrics.plain import Plain
    from feedsim.quantities import System
    from feedsim.scenario import Scenario
    from feedsim.studies.story.story import Story

__all__ = ["explain"]


def explain(
    scenario: ScenarioPath,
    carrier: Annotated[
        int | None,
        typer.Option(
            "--carrier",
            metavar="N",
            help="Which carrier, by its number in carriers.csv.",
            show_default=False,
        ),
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
        typer.Option(
            "--feeder",
            metavar="N",
            help="At which feeder, from 0  [default: each]",
            show_default=False,
        ),
    ] = None,
    speed: Speed = None,
    carriers: Annotated[
        int | None, typer.Option("--carriers", help="Carriers in the run.", show_default=False)
    ] = None,
    seed: Seed = None,
    settings: Settings = None,
    units: Units = UnitChoice.metric,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print it as data on standard output.")
    ] = False,
) -> int:
    """Tell one carrier's story: what happened, what each delay cost, why it ended so.

    The parts of the placement error add up to it. Writes no files.
    """
    from feedsim.cli.delivery import Answer, print_now
    from feedsim.cli.progress import doing
    from feedsim.output.json_text import json_text
    from feedsim.output.story_text import stories_text

    changes = changes_of(settings, carriers=carriers, seed=seed)
    what = read_scenario(scenario, changes, speed=speed)
    if feeder is not None and not 0 <= feeder < len(what.feeder):
        raise _wrong("--feeder", str(feeder), f"a feeder from 0 to {len(what.feeder) - 1}")
    picks = _picks(carrier, first_miss=first_miss, first_hazard=first_hazard)
    with doing("running the line and taking the carrier apart"):
        number, stories = _told(what, carrier, picks, feeder=feeder, units=units.value)

    def text() -> str:
        if number is None:
            return f"No carrier {picks[0]} in this run of {what.run.carriers}."
        return stories_text(
            stories,
            title=what.title,
            line_speed_mm_s=what.line.speed,
            seed=what.seed,
            units=units.value,
        )

    return print_now(
        Answer(text=text, json=json_text(_plain(what, number, stories))), as_json=as_json
    )


def _wrong(option: str, found: str, allowed: str) -> Exception:
    from feedsim.errors import Fault, FeedsimError

    return FeedsimError(Fault(option, found=found, allowed=allowed))


def _picks(carrier: int | None, *, first_miss: bool, first_hazard: bool) -> tuple[str, ...]:
    """Return what there is to look for; nothing where the carrier is given by its number."""
    from feedsim.errors import FeedsimError

    picks = (("was missed", first_miss), ("was at risk", first_hazard))
    wanted = tuple(words for words, asked in picks if asked)
    if len(wanted) + (carrier is not None) != 1:
        raise FeedsimError("explain needs one of --carrier N, --first-miss and --first-hazard")
    return wanted


def _told(
    scenario: Scenario,
    carrier: int | None,
    picks: tuple[str, ...],
    *,
    feeder: int | None,
    units: System,
) -> tuple[int | None, list[Story]]:
    """Return the carrier's number and its stories; None and none where there is no such one."""
    from feedsim.studies.story.choice import find_first, first_hazard, first_miss
    from feedsim.studies.story.story import explain, story_of

    if carrier is not None:
        last = scenario.run.warm_up + scenario.run.carriers - 1
        if not 0 <= carrier <= last:
            raise _wrong("--carrier", str(carrier), f"a carrier from 0 to {last}")
        stories = explain(scenario, carrier, units=units)
        return carrier, [s for s in stories if feeder in {None, s.feeder}]
    pick = first_miss if picks[0] == "was missed" else first_hazard
    source, found = find_first(scenario, pick, feeder=feeder)
    if found is None:
        return None, []
    numbers = range(len(source.feeders)) if feeder is None else [feeder]
    return found, [story_of(source, found, feeder=n, units=units) for n in numbers]


def _plain(scenario: Scenario, carrier: int | None, stories: list[Story]) -> dict[str, Plain]:
    from feedsim import __version__

    return {
        "feedsim": __version__,
        "title": scenario.title,
        "seed": scenario.seed,
        "line_speed_mm_s": scenario.line.speed,
        "carrier": carrier,
        "stories": [story.to_plain() for story in stories],
    }
