"""Line speeds at which cycles of whole scans are longest: where the share lost to them is worst.

Over speed that share is a sawtooth (:mod:`feedsim.settings.whole_scans`): it jumps where the scans
to readiness change, and rises and falls between with the phases at which pitch and cycle meet the
scans. It is looked at on both sides of each jump and at places close together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise

from feedsim.settings.jumps_of_auto import At
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.mechanisms_missed import feed_cycle, most_lost_in_scans
from feedsim.settings.shares_by_speed import EASILY, SharesBySpeed
from feedsim.settings.straight import beside
from feedsim.settings.whole_scans import scans_to_ready

PLACES = 32
_TO, _MATTERS = 1e-8, 0.1
_FEED_CYCLE = next(n for n, mechanism in enumerate(MECHANISMS) if mechanism.share is feed_cycle)


def may_be_long(shares: SharesBySpeed, speed: float) -> bool:
    """Return whether cycles of whole scans may lose too many at a speed (mm/s) or a lower one."""
    return most_lost_in_scans(shares.at(speed)) > EASILY * shares.most("missed")


def longest_cycles(shares: SharesBySpeed, low: float, high: float) -> list[float]:
    """Return the speeds between two (mm/s) at which to look at the share lost to cycles.

    Those where it is largest among their neighbours, and these, if it matters there.
    """
    if high <= low or not may_be_long(shares, high):
        return []
    places = [low * (high / low) ** (k / PLACES) for k in range(1, PLACES)]
    jumps = [side for jump in _jumps(shares.at, [low, *places, high]) for side in beside(jump)]
    places = sorted({*places, *(speed for speed in jumps if low < speed < high)})
    lost = [0.0, *(shares.share(place, _FEED_CYCLE) for place in places), 0.0]
    found: set[float] = set()
    for n, (before, share, after) in enumerate(zip(lost, lost[1:], lost[2:], strict=False)):
        if share >= max(before, after) and share > _MATTERS * shares.most("missed"):
            found.update(places[max(0, n - 1) : n + 2])
    return sorted(found)


def _jumps(at: At, places: list[float]) -> Iterator[float]:
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
