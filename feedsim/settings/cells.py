"""Which line speeds to check so that no refused stretch is missed.

With locked ticks and rounded counts a share is a sawtooth over speed: acceptance comes and goes.
The worst speeds lie beside the jumps of the acts (:mod:`feedsim.settings.jumps`). The search gets
finer in three steps: cells of a tenth of the speed with the worst places of each, the parts of a
mixed cell (partly refused), and both sides of each jump in a mixed part. The work does not depend
on how fine the lattice is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from feedsim.criteria import Criteria, Figure
from feedsim.settings.acts import is_locked, locked_step
from feedsim.settings.jumps import Jumps, act, jumps_between
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.longest_cycles import longest_cycles, may_be_long
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.mechanisms_jams import landing_late, run_up
from feedsim.settings.right import right_settings
from feedsim.settings.shares_by_speed import EASILY, FIGURES, Excess, SharesBySpeed
from feedsim.settings.sources import placement_sd

SLOWEST_MM_S, FASTEST_MM_S = 1.0, 20_000.0
NARROWEST = 2e-5
"""An isolated refused stretch narrower than this fraction of the speed is ignored: no line holds
its speed that closely."""
PARTS = 24
_CELLS, _IN_A_ROW = 96, 8
_JUMPS_OF_A_CELL, _JUMPS_OF_A_PART = 24, 80
_STRETCHES, _JUMPS_OF_A_STRETCH = 16, 8
_LONG = 0.1
"""Steps shorter than this share of the tolerance leave too little to look between thinned jumps."""
_HARDLY, _NEXT_TO_NOTHING = 0.02, 1e-3
_SMALL = 0.005
"""Jumps smaller than this fraction of the tolerance and of the room before the nose limit are not
checked: they change a share near its limit, three standard deviations off, by a 40th."""
_OF_WAY = tuple(n for n, m in enumerate(MECHANISMS) if m.share in (run_up, landing_late))
_MOST_SPEEDS = 900
_SWING = 8.0
"""A figure does not reach its limit between the worst speeds if its room there is more than so many
times what it changes by between them."""
_NOTHING_MM2 = 1e-12
_SHORTEST = 5e-3
"""A stretch of this share of a cell is not made shorter, however many jumps it has."""


def worst_between(at: At, allowed: Criteria, low: float, high: float) -> tuple[float, Excess]:
    """Return the worst line speed between two nearby ones (mm/s), and its excess.

    Checks the ends, the middle, and the sides of the jumps that may be worst.
    """
    shares = SharesBySpeed(at, allowed)
    jumps = _jumps(shares, low, high, most=_JUMPS_OF_A_PART)
    # the middle first: max() keeps it unless another is worse
    cycles = longest_cycles(shares, low, high)
    places = [0.5 * (low + high), low, high, *jumps.extremes(), *cycles]
    worst = max(places, key=lambda speed: shares.excess(speed).times)
    return worst, shares.excess(worst)


def cells_between(low: float, high: float) -> list[float]:
    """Return the edges of cells between two line speeds (mm/s), 96 of them of all speeds."""
    whole = math.log(FASTEST_MM_S / SLOWEST_MM_S)
    return _parts(low, high, math.ceil(_CELLS * math.log(high / low) / whole) if high > low else 1)


def _parts(low: float, high: float, many: int) -> list[float]:
    return [geometric(low, high, k / many) for k in range(many + 1)]


def look_everywhere(
    shares: SharesBySpeed, edges: Sequence[float], windows: int, *, lowest: bool = False
) -> float:
    """Check cells, parts of mixed ones, and beside their jumps; return up to which speed.

    ``lowest``: stop at the first refused stretch, once one mechanism alone is too much.
    """
    many, fully, borne = len(edges) - 1, FASTEST_MM_S, set[int]()
    last = many
    if not lowest:
        for first in range(0, many, _IN_A_ROW):
            borne.update(_borne(shares, edges, first, min(first + _IN_A_ROW, many)))
        looked = (k for k, edge in enumerate(edges) if edge in shares.looked_at)
        last = max((k for k in looked if not shares.refused(edges[k])), default=0)
    for place, (low, high) in enumerate(pairwise(edges)):
        if place > last + 2:
            break  # refused at every further edge, and throughout for a fifth of the speed
        if lowest and place % _IN_A_ROW == 0:
            borne.update(_borne(shares, edges, place, min(place + _IN_A_ROW, many)))
        if place not in borne:
            places, reach = worst_of_cell(shares, low, high)
            # mixed: some places refused or nearly, others not
            if _comes_and_goes(shares, [low, high, *places]):
                fully = min(fully, _look_finely(shares, low, high, windows, reach))
        if (fully < FASTEST_MM_S or lowest) and _enough(shares, windows, to=high):
            break
    if lowest:
        next((edge for edge in edges if edge >= high and shares.alone_too_much(edge)), None)
    return fully


def _borne(shares: SharesBySpeed, edges: Sequence[float], first: int, last: int) -> Iterator[int]:
    """Yield the cells that are accepted throughout; check the edges of all others.

    Slow cells mostly are, many in a row (:func:`_bears`): the two outer edges and the mean errors
    at the edges between decide for all of them.
    """
    low, high = edges[first], edges[last]
    if last - first == 1:
        shares.looked_at.update((low, high))
    elif _has_room(shares, low, high) and _bears(
        shares, low, high, _reach(shares, edges[first : last + 1])
    ):
        yield from range(first, last)
    else:
        middle = (first + last) // 2
        yield from _borne(shares, edges, first, middle)
        yield from _borne(shares, edges, middle, last)


def _reach(shares: SharesBySpeed, edges: Sequence[float]) -> float:
    """Return the largest difference of acts (mm) at some speeds and beside jumps between them.

    If ramp or lag do not end in time, the mean is not straight between two jumps: it may be largest
    between speeds at which it is small.
    """
    low, *between, high = edges
    bent = between if right_settings(shares.at(high)).unsettled else ()
    return _jumps(shares, low, high, most=_JUMPS_OF_A_CELL, bent=bent).reach


def worst_of_cell(shares: SharesBySpeed, low: float, high: float) -> tuple[list[float], float]:
    """Return the worst speeds between two, and the difference of acts (mm) there.

    Those with the largest errors of acts and with the longest cycles.
    """
    places, reach = _worst_acts(shares, low, high)
    return sorted({*places, *longest_cycles(shares, low, high)}), reach


def _worst_acts(shares: SharesBySpeed, low: float, high: float) -> tuple[list[float], float]:
    """Return the speeds between two with the largest errors of acts, and their difference (mm).

    None if jumps do not matter: the lattice moves acts by less than a 50th of the tolerance.
    """
    there = shares.at(high)
    most = high * there.controller.motion_cycle_s + there.count_mm
    if most <= _HARDLY * shares.allowed.placement_tolerance_mm:
        return [], most
    jumps = _jumps(shares, low, high, most=_JUMPS_OF_A_CELL)
    if _bears(shares, low, high, jumps.reach):
        return [], jumps.reach
    locked = any(is_locked(eye, there.controller) for eye in (there.carrier_eye, there.eye))
    longest = max(there.count_mm, high * locked_step(there.controller) if locked else 0.0)
    if jumps.whole or longest < _LONG * shares.allowed.placement_tolerance_mm:
        return jumps.extremes(), jumps.reach
    closer = list(_stretches(shares, low, high))
    tolerance = shares.allowed.placement_tolerance_mm
    rest = max(_NOTHING_MM2, placement_sd(there) ** 2 - act(there)[2])
    worst = (each.worst(tolerance_mm=tolerance, variance_mm2=rest) for each in closer)
    places = {*jumps.extremes()}.union(*worst)
    return sorted(places), max(each.reach for each in (jumps, *closer))


def _stretches(shares: SharesBySpeed, low: float, high: float) -> Iterator[Jumps]:
    """Yield the jumps of short stretches, evenly apart in a cell that has too many.

    Those of the whole cell are then thinned, and stand about where settings jump; of a few in a row
    both sides are enclosed.
    """
    part = 1.0 / PARTS
    for k in range(_STRETCHES):
        start = (k + 0.5) / _STRETCHES
        while True:
            ends = (geometric(low, high, start + half * part) for half in (-0.5, 0.5))
            jumps = _jumps(shares, *ends, most=_JUMPS_OF_A_STRETCH)
            if jumps.whole or part < _SHORTEST:
                yield jumps
                break
            part *= 0.5


def _jumps(
    shares: SharesBySpeed, low: float, high: float, *, most: int, bent: Sequence[float] = ()
) -> Jumps:
    there = shares.at(high)
    before_limit = there.feeder.nose_limit_mm - there.settings.stage_position_mm
    least = _SMALL * max(0.0, min(shares.allowed.placement_tolerance_mm, before_limit))
    return jumps_between(shares.at, low, high, most=most, least_mm=least, bent=bent)


def _bears(
    shares: SharesBySpeed, low: float, high: float, reach: float, *, of: Sequence[Figure] = FIGURES
) -> bool:
    """Return whether all speeds between two are accepted, even at the worst side of each jump.

    All acts lie within ``reach`` (mm) of those at the fast end, so that end is checked with that
    much less room: tolerance, overhang, nose limit and grip end; shares that depend on the run-up
    must be negligible. At the slow end the spread is smaller.

    ``of``: figures to check.
    """
    tolerance = shares.allowed.placement_tolerance_mm - reach
    if tolerance <= 0.0 or not _has_room(shares, low, high, of=of):
        return False
    there = shares.at(high)
    by = reach * max(1.0, there.settings.speed_ratio)
    less = there.with_limits(
        nose_limit_mm=there.feeder.nose_limit_mm - by,
        grip_end_mm=there.feeder.grip_end_mm + by,
    )
    room = shares.allowed.overhang_mm - reach
    allowed = replace(shares.allowed, placement_tolerance_mm=tolerance, overhang_mm=room)
    return not SharesBySpeed(lambda _: less, allowed).is_beyond(high, EASILY, of=of)


def _has_room(
    shares: SharesBySpeed, low: float, high: float, *, of: Sequence[Figure] = FIGURES
) -> bool:
    """Return whether two speeds are accepted with a margin and have long enough run-ups."""
    if any(shares.is_beyond(v, EASILY, of=of) for v in (low, high)):
        return False
    if "missed" in of and may_be_long(shares, high):
        return False
    most = _NEXT_TO_NOTHING * shares.most("jam_risk")
    return all(shares.share(v, n) <= most for v in (low, high) for n in _OF_WAY)


def _comes_and_goes(shares: SharesBySpeed, places: Sequence[float]) -> bool:
    """Return whether some places are accepted and others refused or nearly so."""
    refused = [shares.refused(place) for place in places]
    if any(refused):
        return not all(refused)
    return any(_may_cross(shares, places, figure) for figure in FIGURES)


def _may_cross(shares: SharesBySpeed, places: Sequence[float], figure: Figure) -> bool:
    """Return whether a figure is near its limit at a place, and changes enough to reach it."""
    times = [shares.times(place, figure) for place in places if not shares.is_borne(place, figure)]
    if not times:
        return False
    return max(times) > EASILY and max(times) + _SWING * (max(times) - min(times)) > 1.0


def _enough(shares: SharesBySpeed, windows: int, *, to: float) -> bool:
    """Return whether the search may end, with all speeds up to one (mm/s) checked."""
    runs = shares.runs()
    if len(shares.looked_at) > _MOST_SPEEDS or windows > 1:
        return len(shares.looked_at) > _MOST_SPEEDS or len(runs) > windows
    wide = (run for run in runs if run[0] < to and run[-1] - run[0] > NARROWEST * run[0])
    return next(wide, None) is not None


def _look_finely(
    shares: SharesBySpeed, low: float, high: float, windows: int, reach: float
) -> float:
    """Check the parts of a cell, and beside each jump of mixed ones; return up to which speed.

    Figures accepted throughout the cell are not checked again. ``reach``: difference of acts (mm).
    """
    for figure in FIGURES:
        if _bears(shares, low, high, reach, of=(figure,)):
            shares.bear(low, high, figure)
    edges = _parts(low, high, PARTS)
    fully = FASTEST_MM_S
    for start, end in pairwise(edges):
        jumps = _jumps(shares, start, end, most=_JUMPS_OF_A_PART)
        places = (start, end, *jumps.extremes())
        if _bears(shares, start, end, jumps.reach) or not _comes_and_goes(shares, places):
            continue
        enough = _enough(shares, windows, to=start)
        if not jumps.whole or enough:
            fully = min(fully, start)
        if enough:
            break
        for place in sorted((*jumps.speeds_mm_s, *jumps.crossings())):
            shares.looked_at.add(place)
            if windows == 1 and shares.refused(place) and _enough(shares, windows, to=place):
                break
    return fully


def geometric(low: float, high: float, part: float) -> float:
    """Return the speed at a fraction (0…1) between two on a logarithmic scale."""
    return high if part == 1.0 else low * (high / low) ** part
