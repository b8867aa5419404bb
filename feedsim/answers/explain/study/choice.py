"""Which carrier is worth a story: the first that was missed, the first at risk."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from feedsim.answers.explain.study.hazards import first_with_hazard
from feedsim.answers.explain.study.run import BEYOND, landing_to_come, traced
from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.records.outcome import Outcome
from feedsim.scenario import Scenario

__all__ = ["Pick", "find_first", "first_hazard", "first_miss"]

_FIRST_RUN = 1024
_LONGER = 4

Pick = Callable[[StorySource, int | None], int | None]
"""Chooses a carrier of a run, at one feeder or (None) at any."""


def find_first(
    scenario: Scenario, pick: Pick, *, feeder: int | None = None, replication: int = 0
) -> tuple[StorySource, int | None]:
    """Run a scenario as far as it takes to find a carrier.

    Parameters
    ----------
    scenario : Scenario
    pick : callable
        :func:`first_miss` or :func:`first_hazard`.
    feeder : int, optional
        At which feeder; at any when left out.
    replication : int, optional
        Which set of cards.

    Returns
    -------
    StorySource
        The run, for :func:`feedsim.answers.explain.study.story.story_of`.
    int or None
        The carrier; None where the whole run has none.
    """
    total = scenario.run.warm_up + scenario.run.carriers
    count = min(_FIRST_RUN, total)
    while True:
        source = traced(scenario, carriers=count, replication=replication)
        carrier = pick(source, feeder)
        if count == total:
            return source, carrier
        sure = carrier is not None and carrier < count - BEYOND
        if carrier is not None and sure and not landing_to_come(source, carrier):
            return source, carrier
        count = min(_LONGER * count, total)


def first_miss(source: StorySource, feeder: int | None = None) -> int | None:
    """Return the first counted carrier that was missed (at one feeder, or at any)."""
    warm_up = source.records.warm_up
    missed = np.zeros(len(source.carriers), dtype=np.bool_)
    for which in _chosen(source, feeder):
        missed |= which.rows.outcome != Outcome.PLACED
    found = np.flatnonzero(missed[warm_up:])
    return int(found[0]) + warm_up if len(found) else None


def first_hazard(source: StorySource, feeder: int | None = None) -> int | None:
    """Return the first counted carrier whose feed cycle had a hazard (at one feeder, or at any)."""
    warm_up = source.records.warm_up
    found = [first_with_hazard(which, warm_up) for which in _chosen(source, feeder)]
    return min((k for k in found if k is not None), default=None)


def _chosen(source: StorySource, feeder: int | None) -> Sequence[FeederSource]:
    return source.feeders if feeder is None else [source.feeders[feeder]]
