"""Places for marks in the program's memory, which come free first in, first out."""

from __future__ import annotations

import math
from collections import deque
from functools import lru_cache

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.arrivals import Arrival
from feedsim.settings.seen import fractions

_LONGER = 40_000
_FAR = 9.0  # standard deviations beyond which a share is nothing


class Memory:
    """Places that come free first in, first out: as the marks in them are acted on, in their order.

    So a mark finds one if the mark kept that many places before it, and all before that, have been.
    """

    def __init__(self, places: int) -> None:
        self._acts = deque([-math.inf] * places, maxlen=places)

    def has_place(self, free: float) -> bool:
        """Return whether a mark finds a place; ``free``: latest act for one to come free (mm)."""
        return self._acts[0] <= free

    def keep(self, act: float) -> None:
        """Keep that mark until its act (mm), and those before it."""
        self._acts.append(max(act, self._acts[-1]))


def with_a_place(acts: Floats, free: Floats, *, places: int) -> Bools:
    """Return which marks find a place in a :class:`Memory`.

    ``acts``: of each mark if it is kept (mm). ``free``: latest act for a place to come free.
    """
    memory, found = Memory(places), np.zeros(len(acts), dtype=np.bool_)
    for place, (act, latest) in enumerate(zip(acts.tolist(), free.tolist(), strict=True)):
        if memory.has_place(latest):
            memory.keep(act)
            found[place] = True
    return found


def share_without_place(
    arrival: Arrival, kept_mm: float, kept_sd_mm: float, *, places: int, seen: float
) -> float:
    """Return the share of marks that find the memory full, if no feeder is busy.

    Every mark is kept for a travel ``kept_mm``. ``kept_sd_mm``: spread of that travel from mark to
    mark. ``seen``: share of pitches that bring a mark.
    """
    if kept_mm + _FAR * kept_sd_mm <= places * arrival.shortest_mm:
        return 0.0
    edges, sooner = _edges(arrival, seen)
    found = with_a_place(edges, sooner * kept_sd_mm - kept_mm + edges, places=places)
    return (len(edges) - int(found.sum())) / len(edges) if len(edges) else 0.0


@lru_cache(maxsize=8)
def _edges(arrival: Arrival, seen: float) -> tuple[Floats, Floats]:
    """Return the leading edges (mm) of the carriers of a stream that bring a mark.

    And how much sooner each is known, or one before it acted on, in standard deviations.
    """
    from scipy.special import ndtri

    chances = fractions(3 * _LONGER).reshape(3, _LONGER)
    edges = np.cumsum(arrival.sample(chances[0]))
    bring = chances[1, : len(edges)] < seen
    return edges[bring], ndtri(chances[2, : len(edges)][bring])
