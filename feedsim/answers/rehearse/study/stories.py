"""Why each carrier of a stretch ended as it did, in sentences: what a page's story says."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.explain.study.run import source_of
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.rehearse.study.stretch import Stretch
from feedsim.metrics.plain import Plain
from feedsim.quantities import System
from feedsim.records.outcome import Outcome

__all__ = ["reasons_plain"]

MOST_STORIES = 1000
"""So many are told in full; where there are more, only of those that were missed."""


def reasons_plain(stretch: Stretch, feeder: int, *, units: System) -> dict[str, Plain]:
    """Return the reasons of each carrier at one feeder, by its number as text.

    All chosen carriers have theirs, unless these are more than :data:`MOST_STORIES` at all feeders
    together: then those that were missed.
    """
    source = source_of(stretch.scenario, stretch.records, stretch.trace)
    return {
        str(carrier): list(story_of(source, carrier, feeder=feeder, units=units).reason)
        for carrier in _told(stretch, feeder)
    }


def _told(stretch: Stretch, feeder: int) -> Iterator[int]:
    every = len(stretch.carriers) * len(stretch.machine.feeders) <= MOST_STORIES
    outcomes = stretch.records.feeders[feeder].outcome
    for carrier in stretch.carriers:
        if every or outcomes[carrier] != Outcome.PLACED:
            yield carrier
