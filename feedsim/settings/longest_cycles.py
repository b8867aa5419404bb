"""Line speeds at which cycles of whole scans are longest: where the share lost to them is worst.

Over speed that share is a sawtooth (:mod:`feedsim.settings.whole_scans`): it jumps where the scans
to readiness change, and rises and falls between with the phases at which pitch and cycle meet the
scans. It is looked at on both sides of each jump and at places close together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.straight import beside
from feedsim.settings.whole_scans import scans_to_ready

PLACES = 32
_TO, _MATTERS = 1e-8, 0.1


def longest_cycles(
    at: Callable[[float], FeederAtSpeed],
    lost: Callable[[float], float],
    low: float,
    high: float,
    *,
    most: float,
) -> list[float]:
    """Return the speeds between two (mm/s) at which to look at the share lost to cycles.

    Those where it is largest among their neighbours, and these, if it matters there.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the feeder at that speed, both its eyes stored at scan ticks.
    lost : callable
        Line speed (mm/s) → share of carriers lost to the feed cycle.
    low, high : float
        mm/s.
    most : float
        The largest share that is accepted.
    """
    places = [low * (high / low) ** (k / PLACES) for k in range(1, PLACES)]
    jumps = [side for jump in _jumps(at, [low, *places, high]) for side in beside(jump)]
    places = sorted({*places, *(speed for speed in jumps if low < speed < high)})
    shares = [0.0, *map(lost, places), 0.0]
    found: set[float] = set()
    for n, (before, share, after) in enumerate(zip(shares, shares[1:], shares[2:], strict=False)):
        if share >= max(before, after) and share > _MATTERS * most:
            found.update(places[max(0, n - 1) : n + 2])
    return sorted(found)


def _jumps(at: Callable[[float], FeederAtSpeed], places: list[float]) -> Iterator[float]:
    """Yield where the scans to readiness change between neighbouring speeds."""
    scans = [scans_to_ready(at(place)) for place in places]
    for (low, high), (before, after) in zip(pairwise(places), pairwise(scans), strict=True):
        if before != after:
            yield _jump(lambda speed: scans_to_ready(at(speed)), low, high)


def _jump(steps: Callable[[float], object], low: float, high: float) -> float:
    """Return where a function of speed in steps leaves its value at the lower end (bisection)."""
    before = steps(low)
    while high - low > _TO * high:
        middle = 0.5 * (low + high)
        if steps(middle) == before:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
