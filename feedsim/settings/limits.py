"""The speed limit in closed form: all line speeds up to it are accepted; refused ones beyond it.

Refused speeds may form several windows; the limit is where the first one begins.
:mod:`feedsim.settings.cells` finds them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from feedsim.criteria import Criteria, Figure
from feedsim.settings.cells import (
    FASTEST_MM_S,
    NARROWEST,
    PARTS,
    SLOWEST_MM_S,
    cells_between,
    geometric,
    look_everywhere,
    worst_of_cell,
)
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.mechanisms_placed import no_cycle
from feedsim.settings.shares_by_speed import SharesBySpeed, crossing

TOGETHER = "all together"
_NO_CYCLE = next(n for n, mechanism in enumerate(MECHANISMS) if mechanism.share is no_cycle)
MOST_WINDOWS = 24
_AS_GOOD_AS_FOUND = 1e-7
_EDGE = 1e-5
_SAME = 1e-6
_NEAR = 1e-3
_STRIDE = 1.005
_FIRST_PART = 1.02
_FURTHEST = 4.0


@dataclass(frozen=True, slots=True)
class SpeedLimit:
    """The highest line speed that is accepted with one mechanism alone.

    Attributes
    ----------
    mechanism : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        The acceptance figure that reaches its limit.
    speed_mm_s : float or None
        0.0: not even at a crawl. None: accepted at every speed checked, up to ``FASTEST_MM_S`` or
        to where no cycle can repeat any more.
    mostly, mostly_share : str, float
        Of ``TOGETHER``: the mechanism with the largest share there, and that share; else empty, 0.
    """

    mechanism: str
    figure: Figure
    speed_mm_s: float | None
    mostly: str = ""
    mostly_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Refused:
    """A refused stretch of line speeds; gaps narrower than ``NARROWEST`` are ignored.

    Attributes
    ----------
    from_mm_s, to_mm_s : float
        Its ends (mm/s); ``FASTEST_MM_S`` if no end was found.
    worst_mm_s : float
        Where it is worst; if it does not end, near its beginning.
    share : float
        Of the figure there.
    figure : {"missed", "jam_risk", "within_tolerance"}
        The one furthest beyond its limit.
    """

    from_mm_s: float
    to_mm_s: float
    worst_mm_s: float
    share: float
    figure: Figure


@dataclass(frozen=True, slots=True)
class Closed:
    """Results of the closed forms for one feeder.

    Attributes
    ----------
    limits : tuple of SpeedLimit
        The lowest speed at which each mechanism's share exceeds its limit (below 1e-9 counts as
        none), rising, if there is one; and under the name ``TOGETHER`` the one at which the
        combined shares of a figure do, 1 − Π(1 − share) (elementary).
    refused : tuple of Refused
        Rising.
    complete_to_mm_s : float
        Up to this speed all jumps were checked in parts of cells that look refused or nearly so;
        above, windows may be missing.
    """

    limits: tuple[SpeedLimit, ...]
    refused: tuple[Refused, ...]
    complete_to_mm_s: float


def closed_form(
    at: At, allowed: Criteria, *, windows: int = MOST_WINDOWS, lowest: bool = False
) -> Closed:
    """Return the limits and the refused speeds of one feeder.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the feeder with its settings solved at that speed.
    allowed : Criteria
    windows : int
        Number of refused windows to find; 1 if only the limit is wanted.
    lowest : bool
        Leave out the limits of mechanisms that cannot be the lowest.
    """
    shares = SharesBySpeed(at, allowed)
    edges = cells_between(SLOWEST_MM_S, FASTEST_MM_S)
    fully = look_everywhere(shares, edges, windows, lowest=lowest)
    refused = _windows(shares)
    speeds = _with_cycles(shares)
    numbers = range(len(MECHANISMS))
    found = (
        _lowest_alone(shares, speeds) if lowest else [_alone(shares, n, speeds) for n in numbers]
    )
    found = [limit for limit in found if not _without_cycles(shares, limit)]
    if refused:
        first = refused[0]
        speed = first.from_mm_s if first.from_mm_s > SLOWEST_MM_S else 0.0
        # use the speed of a mechanism that begins there alone, not a rounding step beside it
        alone = [limit.speed_mm_s for limit in found if limit.speed_mm_s]
        speed = min((v for v in alone if abs(v - speed) < _SAME * v), default=speed)
        mostly = shares.largest(first.from_mm_s, first.figure)
        found.append(SpeedLimit(TOGETHER, first.figure, speed, *mostly))
    limits = sorted(
        (limit for limit in found if limit.speed_mm_s is not None),
        key=_rising,
    )
    return Closed(tuple(limits), tuple(refused), fully)


def refused_between(at: At, allowed: Criteria, low: float, high: float) -> Closed:
    """Return the refused stretches between two line speeds (mm/s), ends included, without limits.

    One that continues beyond the upper speed ends at ``FASTEST_MM_S``.
    """
    shares = SharesBySpeed(at, allowed)
    fully = look_everywhere(shares, cells_between(low, high), MOST_WINDOWS)
    return Closed((), tuple(_windows(shares)), fully)


def window(at: At, allowed: Criteria, speed: float) -> tuple[float, float] | None:
    """Return the ends (mm/s) of the accepted stretch of line speeds around one.

    Parameters
    ----------
    at, allowed
        As in :func:`closed_form`.
    speed : float
        Line speed (mm/s).

    Returns
    -------
    (float, float) or None
        None if that speed is refused. An end is the last accepted speed, to
        ``_AS_GOOD_AS_FOUND``, at most ``_FURTHEST`` times the speed away.
    """
    shares = SharesBySpeed(at, allowed)
    if shares.refused(speed):
        return None
    return _end(shares, speed, 1.0 / _STRIDE), _end(shares, speed, _STRIDE)


def _end(shares: SharesBySpeed, speed: float, stride: float) -> float:
    inside = speed
    while 1.0 / _FURTHEST < inside * stride / speed < _FURTHEST:
        for place in _on_the_way(shares, inside, inside * stride):
            if shares.refused(place):
                edge = shares.edge(inside, place, to=_AS_GOOD_AS_FOUND)
                return edge * (1.0 - _AS_GOOD_AS_FOUND * (1.0 if stride > 1.0 else -1.0))
            inside = place
    return inside


def _on_the_way(shares: SharesBySpeed, start: float, end: float) -> Iterator[float]:
    """Yield the speeds to check from one to another, including those beside jumps."""
    low, high = sorted((start, end))
    yield from sorted([end, *worst_of_cell(shares, low, high)[0]], reverse=end < start)


def _rising(limit: SpeedLimit) -> tuple[float, bool, float]:
    """Return the sort key: the speed; at nearly equal speeds, all together last."""
    speed = limit.speed_mm_s or 0.0
    return float(f"{speed:.4g}"), limit.mechanism == TOGETHER, speed


def _windows(shares: SharesBySpeed) -> list[Refused]:
    runs = shares.runs()  # before the search for their edges adds speeds
    speeds = sorted(shares.looked_at)
    place_of = {speed: place for place, speed in enumerate(speeds)}
    found: list[Refused] = []
    for run in runs:
        low, high = place_of[run[0]], place_of[run[-1]]
        to = _EDGE if found else _AS_GOOD_AS_FOUND
        start = shares.edge(speeds[low - 1], speeds[low], to=to) if low else speeds[0]
        goes_on = high + 1 == len(speeds)
        end = FASTEST_MM_S if goes_on else shares.edge(speeds[high], speeds[high + 1], to=_EDGE)
        near = [v for v in run if v <= _FIRST_PART * start] if goes_on else run
        worst = max(near or run[:1], key=lambda speed: shares.excess(speed).times)
        there = shares.excess(worst)
        found.append(Refused(start, end, worst, there.share, there.figure))
    ends = [(stretch.from_mm_s, stretch.to_mm_s) for stretch in found]
    return [found[place] for place in _that_count(ends)]


def _that_count(stretches: Sequence[tuple[float, float]]) -> list[int]:
    """Return the places of the stretches that are not both narrow and isolated."""
    before = [-math.inf, *(end for _, end in stretches[:-1])]
    after = [*(start for start, _ in stretches[1:]), math.inf]
    return [
        place
        for place, (start, end) in enumerate(stretches)
        if end - start > NARROWEST * start
        or min(start - before[place], after[place] - end) < _NEAR * start
    ]


def _with_cycles(shares: SharesBySpeed) -> list[float]:
    """Return the speeds looked at, up to the one from which on no cycle can repeat.

    If that is too much alone: the shares of other mechanisms are those of cycles.
    """
    speeds, end = sorted(shares.looked_at), len(shares.looked_at)
    while end and _none_repeats(shares, speeds[end - 1]):
        end -= 1
    return speeds[: end + 1]


def _none_repeats(shares: SharesBySpeed, speed: float) -> bool:
    return shares.alone(speed, _NO_CYCLE) and shares.share(speed, _NO_CYCLE) == 1.0


def _without_cycles(shares: SharesBySpeed, limit: SpeedLimit) -> bool:
    """Return whether a limit of another mechanism lies where no cycle can repeat."""
    if not limit.speed_mm_s or limit.mechanism == MECHANISMS[_NO_CYCLE].name:
        return False
    return _none_repeats(shares, limit.speed_mm_s)


def _lowest_alone(shares: SharesBySpeed, speeds: Sequence[float]) -> list[SpeedLimit]:
    """Return the limits of mechanisms alone, without those certainly above others."""
    firsts = []
    for number in range(len(MECHANISMS)):
        over = next((place for place, v in enumerate(speeds) if shares.alone(v, number)), None)
        firsts += [] if over is None else [(max(0, over - 1), number)]
    found: list[SpeedLimit] = []
    best = math.inf
    for place, number in sorted(firsts):
        if speeds[place] < best:
            found.append(_alone(shares, number, speeds))
            speed = found[-1].speed_mm_s
            best = min(best, math.inf if speed is None else speed)
    return found


def _alone(shares: SharesBySpeed, number: int, speeds: Sequence[float]) -> SpeedLimit:
    """Return the lowest speed at which one mechanism alone is too much, among some."""
    m = MECHANISMS[number]
    most = shares.most(m.figure)
    first = _first(speeds, lambda speed: shares.alone(speed, number))
    if not first:
        return SpeedLimit(m.name, m.figure, None if first is None else 0.0)

    def times(speed: float) -> float:
        return shares.share(speed, number) / most

    low, high = speeds[first - 1], speeds[first]
    finer = [geometric(low, high, k / PARTS) for k in range(1, PARTS)]
    if high > _STRIDE * low:
        high = next((speed for speed in finer if times(speed) > 1.0), high)
        low = max([low, *(speed for speed in finer if speed < high)])
    return SpeedLimit(m.name, m.figure, crossing(times, low, high, to=_AS_GOOD_AS_FOUND))


def _first(speeds: Sequence[float], exceeds: Callable[[float], bool]) -> int | None:
    """Return the place of the first rising speed that exceeds, isolated narrow stretches aside."""
    first = next((place for place, speed in enumerate(speeds) if exceeds(speed)), None)
    if first is None:
        return None
    low, high = _around(speeds, first, first)
    if high - low > NARROWEST * low:
        return first  # whatever comes above
    groups = groupby(range(len(speeds)), key=lambda place: exceeds(speeds[place]))
    runs = [list(group) for exceeded, group in groups if exceeded]
    count = _that_count([_around(speeds, run[0], run[-1]) for run in runs])
    return next((runs[place][0] for place in count), None)


def _around(speeds: Sequence[float], first: int, last: int) -> tuple[float, float]:
    """Return the speeds on either side of a run, by its places: its widest extent."""
    return speeds[max(0, first - 1)], speeds[min(last + 1, len(speeds) - 1)]
