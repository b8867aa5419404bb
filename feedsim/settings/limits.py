"""Up to which line speed every speed is accepted in closed form, and what is refused beyond it.

Where ticks lock and counts are rounded, a share is a saw against speed: acceptance comes and goes.
What is refused is a row of windows then, and the limit is where the first of them begins. They
are found from where the teeth must be (:mod:`feedsim.settings.teeth`), in three steps that get
finer: cells of a tenth of the speed with the worst places of each, the parts of a cell in which
some is refused and some is not, and each tooth of such a part. How much work that is does not
depend on how fine the lattice is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from feedsim.settings.looks import Excess, Looks
from feedsim.settings.mechanisms import MECHANISMS, Allowed, Figure
from feedsim.settings.teeth import At, teeth_between

__all__ = [
    "FASTEST_MM_S",
    "MOST_WINDOWS",
    "NARROWEST",
    "SLOWEST_MM_S",
    "TOGETHER",
    "At",
    "Closed",
    "Refused",
    "SpeedLimit",
    "closed_form",
    "refused_between",
    "speed_limits",
    "window",
    "worst_between",
]

SLOWEST_MM_S, FASTEST_MM_S = 1.0, 20_000.0
TOGETHER = "all together"
_CELLS = 96
_PARTS = 24
_TEETH_OF_A_CELL, _TEETH_OF_A_PART = 24, 80
_AS_GOOD_AS_FOUND = 1e-7
_EDGE = 1e-5
_SAME = 1e-6
_HARDLY = 0.02
"""A lattice that moves acts by less than this share of the tolerance has no teeth to look for."""
MOST_WINDOWS = 24
_MOST_LOOKS = 600
_HARDLY_ACCEPTED = 0.8
NARROWEST = 2e-5
"""A refused stretch narrower than this share of the speed, with none near it, does not count: no
line holds its speed within it."""
_NEAR = 1e-3
_STRIDE = 1.005
_FURTHEST = 4.0
_FIRST_PART = 1.02


@dataclass(frozen=True, slots=True)
class SpeedLimit:
    """Up to which line speed one mechanism alone leaves a setup acceptable.

    Attributes
    ----------
    mechanism : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        The acceptance figure that it brings to its limit.
    speed_mm_s : float or None
        0.0: not even at a crawl. None: at every speed looked at, up to ``FASTEST_MM_S``.
    """

    mechanism: str
    figure: Figure
    speed_mm_s: float | None


@dataclass(frozen=True, slots=True)
class Refused:
    """A stretch of line speeds that is refused, but for what is narrower than ``NARROWEST``.

    Attributes
    ----------
    from_mm_s, to_mm_s : float
        Its ends (mm/s); ``FASTEST_MM_S`` where it goes on as far as was looked.
    worst_mm_s : float
        Where it is worst; of a stretch that goes on, near its beginning.
    share : float
        Of the figure there.
    figure : {"missed", "jam_risk", "within_tolerance"}
        Which one is furthest beyond what is allowed.
    """

    from_mm_s: float
    to_mm_s: float
    worst_mm_s: float
    share: float
    figure: Figure


@dataclass(frozen=True, slots=True)
class Closed:
    """What the closed forms say of one feeder.

    Attributes
    ----------
    limits : tuple of SpeedLimit
        Each mechanism's lowest speed at which its share exceeds what is allowed (below 1e-9
        counts as none), the lowest first, those that do not exist left out; and under the name
        ``TOGETHER`` the one from which the shares of some figure do so together, 1 − Π(1 − share).
    refused : tuple of Refused
        Rising.
    each_tooth_to_mm_s : float
        Up to which speed every tooth was looked at; beyond it, windows may be missing.
    """

    limits: tuple[SpeedLimit, ...]
    refused: tuple[Refused, ...]
    each_tooth_to_mm_s: float


def speed_limits(at: At, allowed: Allowed) -> list[SpeedLimit]:
    """Return the limits of :func:`closed_form`."""
    return list(closed_form(at, allowed).limits)


def closed_form(
    at: At, allowed: Allowed, *, windows: int = MOST_WINDOWS, lowest: bool = False
) -> Closed:
    """Return the limits and the refused speeds of one feeder.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the machine with its settings solved at that speed, and its feeder.
    allowed : Allowed
    windows : int
        So many refused windows are enough; 1 where only the limit is asked for.
    lowest : bool
        Leave out the limits of mechanisms that cannot be the lowest.
    """
    looks = Looks(at, allowed)
    cells = _parts(SLOWEST_MM_S, FASTEST_MM_S, _CELLS)
    fully = _look_everywhere(looks, cells, windows)
    refused = _windows(looks)
    found = _lowest_alone(looks) if lowest else [_alone(looks, n) for n in range(len(MECHANISMS))]
    if refused:
        first = refused[0]
        speed = first.from_mm_s if first.from_mm_s > SLOWEST_MM_S else 0.0
        # one that is too much alone begins there, and not a rounding step beside it
        alone = [limit.speed_mm_s for limit in found if limit.speed_mm_s]
        speed = min((v for v in alone if abs(v - speed) < _SAME * v), default=speed)
        found.append(SpeedLimit(TOGETHER, first.figure, speed))
    limits = sorted(
        (limit for limit in found if limit.speed_mm_s is not None),
        key=_rising,
    )
    return Closed(tuple(limits), tuple(refused), fully)


def refused_between(at: At, allowed: Allowed, low: float, high: float) -> Closed:
    """Return what is refused between two line speeds (mm/s), ends and all, and no limits.

    What goes on beyond the upper one ends at ``FASTEST_MM_S``.
    """
    looks = Looks(at, allowed)
    whole = math.log(FASTEST_MM_S / SLOWEST_MM_S)
    cells = math.ceil(_CELLS * math.log(high / low) / whole) if high > low else 1
    fully = _look_everywhere(looks, _parts(low, high, cells), MOST_WINDOWS)
    return Closed((), tuple(_windows(looks)), fully)


def _rising(limit: SpeedLimit) -> tuple[float, bool, float]:
    """Return what to sort by: the speed, and where it is all but the same, all together last."""
    speed = limit.speed_mm_s or 0.0
    return float(f"{speed:.4g}"), limit.mechanism == TOGETHER, speed


def worst_between(at: At, allowed: Allowed, low: float, high: float) -> tuple[float, Excess]:
    """Return the line speed between two near each other (mm/s) that is worst, and how bad it is.

    The ends and the middle are looked at, and each tooth that may be worst of its kind.
    """
    looks = Looks(at, allowed)
    teeth = teeth_between(at, low, high, most=_TEETH_OF_A_PART)
    # the middle first, which stands where nothing is worse
    places = [0.5 * (low + high), low, high, *teeth.extremes()]
    worst = max(places, key=lambda speed: looks.excess(speed).times)
    return worst, looks.excess(worst)


def _parts(low: float, high: float, many: int) -> list[float]:
    return [_geometric(low, high, k / many) for k in range(many + 1)]


def _look_everywhere(looks: Looks, edges: Sequence[float], windows: int) -> float:
    """Look at cells, at the parts of mixed ones, at the teeth of those; return how far."""
    for edge in edges:
        looks.row(edge)
    last = max((k for k, edge in enumerate(edges) if not looks.refused(edge)), default=0)
    fully = FASTEST_MM_S
    for place, (low, high) in enumerate(pairwise(edges)):
        if place > last + 2:
            break  # refused at every further edge, and for a fifth of the speed through and through
        if not _is_mixed(looks, low, high):
            continue
        fully = min(fully, _look_finely(looks, low, high, windows))
        if fully < FASTEST_MM_S and _enough(looks, windows):
            break
    return fully


def _is_mixed(looks: Looks, low: float, high: float) -> bool:
    """Return whether between two speeds some is refused, or all but is, and some is not."""
    places = [low, high]
    if _moves(looks, high):
        teeth = teeth_between(looks.at, low, high, most=_TEETH_OF_A_CELL)
        places += teeth.extremes()
    return _comes_and_goes(looks, places)


def _comes_and_goes(looks: Looks, places: Iterable[float]) -> bool:
    """Return whether of some places the best is accepted and the worst is not, or hardly."""
    times = [looks.excess(place).times for place in places]
    return min(times) <= 1.0 and max(times) > _HARDLY_ACCEPTED


def _moves(looks: Looks, speed: float) -> bool:
    """Return whether the lattice moves acts enough to look for its teeth."""
    machine, _ = looks.at(speed)
    most = speed * machine.controller.motion_cycle_s + machine.encoder.count_mm
    return most > _HARDLY * looks.allowed.placement_tolerance_mm


def _enough(looks: Looks, windows: int) -> bool:
    return len(looks.rows) > _MOST_LOOKS or len(looks.runs()) > windows


def _look_finely(looks: Looks, low: float, high: float, windows: int) -> float:
    """Look at the parts of a cell, and at each tooth of those that are mixed; return how far."""
    edges = _parts(low, high, _PARTS)
    fully = FASTEST_MM_S
    for start, end in pairwise(edges):
        teeth = teeth_between(looks.at, start, end, most=_TEETH_OF_A_PART)
        if not _comes_and_goes(looks, (start, end, *teeth.extremes())):
            continue
        if not teeth.whole or _enough(looks, windows):
            fully = min(fully, start)
        if _enough(looks, windows):
            break
        for place in (*teeth.speeds_mm_s, *teeth.crossings()):
            looks.row(place)
    return fully


def _geometric(low: float, high: float, part: float) -> float:
    return high if part == 1.0 else low * (high / low) ** part


def _windows(looks: Looks) -> list[Refused]:
    runs = looks.runs()  # before looks for their edges add to what was looked at
    speeds = sorted(looks.rows)
    place_of = {speed: place for place, speed in enumerate(speeds)}
    found: list[Refused] = []
    for run in runs:
        low, high = place_of[run[0]], place_of[run[-1]]
        to = _EDGE if found else _AS_GOOD_AS_FOUND
        start = looks.edge(speeds[low - 1], speeds[low], to=to) if low else speeds[0]
        goes_on = high + 1 == len(speeds)
        end = FASTEST_MM_S if goes_on else looks.edge(speeds[high], speeds[high + 1], to=_EDGE)
        near = [v for v in run if v <= _FIRST_PART * start] if goes_on else run
        worst = max(near or run[:1], key=lambda speed: looks.excess(speed).times)
        there = looks.excess(worst)
        found.append(Refused(start, end, worst, there.share, there.figure))
    ends = [(stretch.from_mm_s, stretch.to_mm_s) for stretch in found]
    return [found[place] for place in _that_count(ends)]


def _that_count(stretches: Sequence[tuple[float, float]]) -> list[int]:
    """Return the places of those stretches that are not narrow and alone."""
    before = [-math.inf, *(end for _, end in stretches[:-1])]
    after = [*(start for start, _ in stretches[1:]), math.inf]
    return [
        place
        for place, (start, end) in enumerate(stretches)
        if end - start > NARROWEST * start
        or min(start - before[place], after[place] - end) < _NEAR * start
    ]


def _lowest_alone(looks: Looks) -> list[SpeedLimit]:
    """Return the limits of mechanisms alone, but of those that others stay below for sure."""
    speeds, firsts = sorted(looks.rows), []
    for number, mechanism in enumerate(MECHANISMS):
        most = looks.most(mechanism.figure)
        over = [place for place, v in enumerate(speeds) if looks.rows[v][number] > most]
        firsts += [(max(0, over[0] - 1), number)] if over else []
    found: list[SpeedLimit] = []
    best = math.inf
    for place, number in sorted(firsts):
        if speeds[place] < best:
            found.append(_alone(looks, number))
            speed = found[-1].speed_mm_s
            best = min(best, math.inf if speed is None else speed)
    return found


def _alone(looks: Looks, number: int) -> SpeedLimit:
    """Return the lowest speed at which one mechanism alone is too much."""
    m = MECHANISMS[number]
    most = looks.most(m.figure)

    def over(speed: float) -> bool:
        if speed in looks.rows:
            return looks.rows[speed][number] > most
        return m.share(*looks.at(speed), speed, looks.allowed) > most

    return SpeedLimit(m.name, m.figure, _lowest(sorted(looks.rows), over))


def _lowest(speeds: Sequence[float], over: Callable[[float], bool]) -> float | None:
    """Return the lowest speed (mm/s) at which it is exceeded, by bisection."""
    runs: list[list[int]] = []
    for exceeded, group in groupby(range(len(speeds)), key=lambda place: over(speeds[place])):
        if exceeded:
            runs.append(list(group))
    # as wide as they may be: between the speeds next to them that are not exceeded
    ends = [(speeds[max(0, r[0] - 1)], speeds[min(r[-1] + 1, len(speeds) - 1)]) for r in runs]
    first = next((runs[place][0] for place in _that_count(ends)), None)
    if not first:
        return None if first is None else 0.0
    low, high = speeds[first - 1], speeds[first]
    finer = [_geometric(low, high, k / _PARTS) for k in range(1, _PARTS)]
    if high > _STRIDE * low:
        high = next((speed for speed in finer if over(speed)), high)
        low = max([low, *(speed for speed in finer if speed < high)])
    while high - low > _AS_GOOD_AS_FOUND * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if over(middle) else (middle, high)
    return 0.5 * (low + high)


def window(at: At, allowed: Allowed, speed: float) -> tuple[float, float] | None:
    """Return the line speeds (mm/s) about one between which it is accepted throughout.

    Parameters
    ----------
    at, allowed
        As in :func:`closed_form`.
    speed : float
        Line speed (mm/s).

    Returns
    -------
    (float, float) or None
        None if it is not accepted at that speed. An end is where it was last accepted, to
        ``_AS_GOOD_AS_FOUND``; or, accepted up to there, ``_FURTHEST`` times the speed away.
    """
    looks = Looks(at, allowed)
    if looks.refused(speed):
        return None
    return _end(looks, speed, 1.0 / _STRIDE), _end(looks, speed, _STRIDE)


def _end(looks: Looks, speed: float, stride: float) -> float:
    inside = speed
    while 1.0 / _FURTHEST < inside * stride / speed < _FURTHEST:
        for place in _on_the_way(looks, inside, inside * stride):
            if looks.refused(place):
                edge = looks.edge(inside, place, to=_AS_GOOD_AS_FOUND)
                return edge * (1.0 - _AS_GOOD_AS_FOUND * (1.0 if stride > 1.0 else -1.0))
            inside = place
    return inside


def _on_the_way(looks: Looks, start: float, end: float) -> Iterator[float]:
    """Yield the places to look at from a speed on to another one, the teeth's among them."""
    places = [end]
    if _moves(looks, max(start, end)):
        low, high = sorted((start, end))
        places += teeth_between(looks.at, low, high, most=_TEETH_OF_A_CELL).extremes()
    yield from sorted(places, reverse=end < start)
