"""How many marks find no place in a memory, of carriers that come at irregular pitches.

Every mark is kept for the same travel, so places come free in the order in which they were taken:
a mark finds one if the mark kept so many before it has been acted on. With one place that is a
renewal; with more, which one was kept depends on all before, and no closed form is known for
pitches with a shortest length. So marks are followed through a fixed row of pitches of the given
law (the record's own where there is one): the share is that of the row, whose standard error is
below √(p·(1 − p)/10 000) times a factor near 1.
"""

from __future__ import annotations

from collections import deque
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from feedsim.arrivals import Arrival

__all__ = ["fractions", "share_without_place"]

_ROW = 10_000
_PRIME = np.uint64(2**31 - 1)


def share_without_place(arrival: Arrival, kept_mm: float, *, places: int, seen: float) -> float:
    """Return the share of marks that find the memory full.

    Parameters
    ----------
    arrival : Arrival
    kept_mm : float
        Belt travel for which a mark is kept.
    places : int
    seen : float
        Share of pitches that bring a mark.
    """
    if kept_mm <= places * arrival.shortest_mm:
        return 0.0
    edges = _edges(arrival, seen)
    kept: deque[float] = deque([-kept_mm] * places, maxlen=places)
    lost = 0
    for edge in edges:
        if edge - kept[0] < kept_mm:
            lost += 1
        else:
            kept.append(edge)
    return lost / len(edges) if edges else 0.0


@lru_cache(maxsize=8)
def _edges(arrival: Arrival, seen: float) -> list[float]:
    """Return where the leading edges of a row of carriers are that bring a mark (mm)."""
    chances = fractions(2 * _ROW)
    first, second = chances[:_ROW], chances[_ROW:]
    edges = np.cumsum(arrival.sample(first))
    found: list[float] = edges[second[: len(edges)] < seen].tolist()
    return found


@lru_cache(maxsize=8)
def fractions(count: int) -> NDArray[np.float64]:
    """Return a fixed row of fractions that look random: x ← 48271·x mod 2³¹ − 1.

    Park, Miller and Stockmeyer, Communications of the ACM 36:108-110, 1993 (from memory).
    """
    found = np.array([48271], dtype=np.uint64)
    while len(found) < count:
        # the row so far, taken on by its whole length: x_(k+n) = 48271ⁿ·x_k, and x_n is 48271ⁿ
        found = np.concatenate((found, found * found[-1] % _PRIME))
    fractions = found[:count] / float(_PRIME)
    fractions.flags.writeable = False
    return fractions
