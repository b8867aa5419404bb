"""Why each carrier of a stretch ended as it did, and what made its placement error."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from feedsim.answers.explain.study.record import PARTS
from feedsim.answers.explain.study.run import source_of
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.rehearse.study.columns import SINGLES, WHOLES
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.arrays import Bools
from feedsim.quantities import System
from feedsim.records.outcome import Outcome

MOST_STORIES = 1000
"""Above this many, only carriers missed or out of tolerance have their stories."""

_NOTHING_MM = 5e-4  # a part whose error never exceeds this is left out


@dataclass(frozen=True, slots=True)
class ErrorParts:
    """What made the placement errors of placed inserts.

    ``names``: in the order in which they arise. ``carriers``: rising. ``error_mm``: one for each
    carrier and name.
    """

    names: tuple[str, ...]
    carriers: tuple[int, ...] = field(metadata=WHOLES)
    error_mm: tuple[float, ...] = field(metadata=SINGLES)


@dataclass(frozen=True, slots=True)
class Stories:
    """Why carriers ended as they did at one feeder: sentences, by the carrier's number."""

    reasons: dict[int, tuple[str, ...]]
    parts: ErrorParts


def stories_shown(stretch: Excerpt, feeder: int, *, units: System, outside: Bools) -> Stories:
    """Return the stories of carriers at one feeder.

    All chosen carriers have one, unless that makes more than :data:`MOST_STORIES` over all
    feeders: then only those missed or out of tolerance (`outside`).
    """
    source = source_of(stretch.scenario, stretch.records, stretch.trace)
    stories = [
        story_of(source, carrier, feeder=feeder, units=units)
        for carrier in _told(stretch, feeder, outside)
    ]
    placed = [story for story in stories if story.parts]
    errors = [{part.key: part.error_mm for part in story.parts} for story in placed]
    matters = {key for one in errors for key, mm in one.items() if abs(mm) > _NOTHING_MM}
    names = {key: name for key, name in _names().items() if key in matters}
    parts = ErrorParts(
        names=tuple(names.values()),
        carriers=tuple(story.carrier for story in placed),
        error_mm=tuple(one.get(key, 0.0) for one in errors for key in names),
    )
    return Stories({story.carrier: story.reason for story in stories}, parts)


def _names() -> dict[str, str]:
    """Return every part's name by its key; of two equal names the stage's is marked."""
    often = Counter(name for group in PARTS.values() for name in group.values())
    return {
        key: f"stage: {name}" if group == "stage" and often[name] > 1 else name
        for group, parts in PARTS.items()
        for key, name in parts.items()
    }


def _told(stretch: Excerpt, feeder: int, outside: Bools) -> Iterator[int]:
    every = len(stretch.carriers) * len(stretch.machine.feeders) <= MOST_STORIES
    outcomes = stretch.records.feeders[feeder].outcome
    for carrier in stretch.carriers:
        if every or outcomes[carrier] != Outcome.PLACED or outside[carrier]:
            yield carrier
