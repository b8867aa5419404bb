"""Which line speeds to look at, so that no stretch that is refused is stepped over.

Where ticks lock and counts are rounded, a share is a saw against speed: acceptance comes and goes.
The places where it is worst are found from where the teeth must be
(:mod:`feedsim.settings.teeth`), in three steps that get finer: cells of a tenth of the speed with
the worst places of each, the parts of a cell in which some is refused and some is not, and each
tooth of such a part. How much work that is does not depend on how fine the lattice is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

from feedsim.criteria import Criteria
from feedsim.settings.looks import Excess, Looks
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.mechanisms_jams import landing_late, run_up
from feedsim.settings.teeth import At, Teeth, teeth_between

__all__ = [
    "FASTEST_MM_S",
    "NARROWEST",
    "PARTS",
    "SLOWEST_MM_S",
    "cells_between",
    "geometric",
    "look_everywhere",
    "worst_between",
    "worst_of_cell",
]

SLOWEST_MM_S, FASTEST_MM_S = 1.0, 20_000.0
NARROWEST = 2e-5
"""A refused stretch narrower than this share of the speed, with none near it, does not count: no
line holds its speed within it."""
PARTS = 24
_CELLS = 96
_TEETH_OF_A_CELL, _TEETH_OF_A_PART = 24, 80
_HARDLY, _NEXT_TO_NOTHING = 0.02, 1e-3
_SMALL = 0.005
"""A jump by less than this share of the tolerance, and of the room before the nose limit, is not
looked beside: it makes a share that is near what is allowed, three standard deviations off, a 40th
part more or less."""
_OF_WAY = tuple(n for n, m in enumerate(MECHANISMS) if m.share in (run_up, landing_late))
_MOST_LOOKS = 600
_HARDLY_ACCEPTED = 0.8


def worst_between(at: At, allowed: Criteria, low: float, high: float) -> tuple[float, Excess]:
    """Return the line speed between two near each other (mm/s) that is worst, and how bad it is.

    The ends and the middle are looked at, and each tooth that may be worst of its kind.
    """
    looks = Looks(at, allowed)
    teeth = _teeth(looks, low, high, most=_TEETH_OF_A_PART)
    # the middle first, which stands where nothing is worse
    places = [0.5 * (low + high), low, high, *teeth.extremes()]
    worst = max(places, key=lambda speed: looks.excess(speed).times)
    return worst, looks.excess(worst)


def cells_between(low: float, high: float) -> list[float]:
    """Return the edges of cells between two line speeds (mm/s), 96 of them of all speeds."""
    whole = math.log(FASTEST_MM_S / SLOWEST_MM_S)
    return _parts(low, high, math.ceil(_CELLS * math.log(high / low) / whole) if high > low else 1)


def _parts(low: float, high: float, many: int) -> list[float]:
    return [geometric(low, high, k / many) for k in range(many + 1)]


def look_everywhere(
    looks: Looks, edges: Sequence[float], windows: int, *, lowest: bool = False
) -> float:
    """Look at cells, at the parts of mixed ones, at the teeth of those; return how far.

    ``lowest``: only as far as the first refused stretch, and until one mechanism alone is too much.
    """
    last, fully = len(edges), FASTEST_MM_S
    if not lowest:
        for edge in edges:
            looks.row(edge)
        last = max((k for k, edge in enumerate(edges) if not looks.refused(edge)), default=0)
    for place, (low, high) in enumerate(pairwise(edges)):
        if place > last + 2:
            break  # refused at every further edge, and for a fifth of the speed through and through
        if _is_mixed(looks, low, high):
            fully = min(fully, _look_finely(looks, low, high, windows))
        if (fully < FASTEST_MM_S or lowest) and _enough(looks, windows, to=high):
            break
    if lowest:
        next((edge for edge in edges if edge >= high and looks.alone_too_much(edge)), None)
    return fully


def _is_mixed(looks: Looks, low: float, high: float) -> bool:
    """Return whether between two speeds some is refused, or all but is, and some is not."""
    return _comes_and_goes(looks, [low, high, *worst_of_cell(looks, low, high)])


def worst_of_cell(looks: Looks, low: float, high: float) -> list[float]:
    """Return the speeds between two at which the teeth are worst, where there are any that matter.

    A lattice that moves acts by less than a 50th of the tolerance has none.
    """
    there = looks.at(high)
    most = high * there.controller.motion_cycle_s + there.count_mm
    if most <= _HARDLY * looks.allowed.placement_tolerance_mm:
        return []
    teeth = _teeth(looks, low, high, most=_TEETH_OF_A_CELL)
    return [] if _bears(looks, low, high, teeth.reach) else teeth.extremes()


def _teeth(looks: Looks, low: float, high: float, *, most: int) -> Teeth:
    there = looks.at(high)
    before_limit = there.feeder.nose_limit_mm - there.settings.stage_position_mm
    least = _SMALL * max(0.0, min(looks.allowed.placement_tolerance_mm, before_limit))
    return teeth_between(looks.at, low, high, most=most, least_mm=least)


def _bears(looks: Looks, low: float, high: float, reach: float) -> bool:
    """Return whether all between two speeds is accepted even if every tooth is at its worst.

    Whatever phase the fast end has, acts are within ``reach`` (mm) of it, so all is asked there
    with so much less room: tolerance, overhang, nose limit and grip end; what depends on the way
    of a run-up must be next to nothing. At the slow end the spread is smaller.
    """
    tolerance = looks.allowed.placement_tolerance_mm - reach
    if tolerance <= 0.0 or any(looks.excess(v).times > _HARDLY_ACCEPTED for v in (low, high)):
        return False
    jams = looks.most("jam_risk")
    if any(looks.row(v)[n] > _NEXT_TO_NOTHING * jams for v in (low, high) for n in _OF_WAY):
        return False
    there = looks.at(high)
    by = reach * max(1.0, there.settings.speed_ratio)
    less = there.with_limits(
        nose_limit_mm=there.feeder.nose_limit_mm - by,
        grip_end_mm=there.feeder.grip_end_mm + by,
    )
    room = looks.allowed.overhang_mm - reach
    allowed = replace(looks.allowed, placement_tolerance_mm=tolerance, overhang_mm=room)
    return Looks(lambda _: less, allowed).excess(high).times <= _HARDLY_ACCEPTED


def _comes_and_goes(looks: Looks, places: Iterable[float]) -> bool:
    """Return whether of some places the best is accepted and the worst is not, or hardly."""
    times = [looks.excess(place).times for place in places]
    return min(times) <= 1.0 and max(times) > _HARDLY_ACCEPTED


def _enough(looks: Looks, windows: int, *, to: float) -> bool:
    """Return whether no more need be looked at, all having been looked at up to a speed (mm/s)."""
    runs = looks.runs()
    if len(looks.rows) > _MOST_LOOKS or windows > 1:
        return len(looks.rows) > _MOST_LOOKS or len(runs) > windows
    wide = (run for run in runs if run[0] < to and run[-1] - run[0] > NARROWEST * run[0])
    return next(wide, None) is not None


def _look_finely(looks: Looks, low: float, high: float, windows: int) -> float:
    """Look at the parts of a cell, and at each tooth of those that are mixed; return how far."""
    edges = _parts(low, high, PARTS)
    fully = FASTEST_MM_S
    for start, end in pairwise(edges):
        teeth = _teeth(looks, start, end, most=_TEETH_OF_A_PART)
        places = (start, end, *teeth.extremes())
        if _bears(looks, start, end, teeth.reach) or not _comes_and_goes(looks, places):
            continue
        enough = _enough(looks, windows, to=start)
        if not teeth.whole or enough:
            fully = min(fully, start)
        if enough:
            break
        for place in sorted((*teeth.speeds_mm_s, *teeth.crossings())):
            looks.row(place)
            if windows == 1 and looks.refused(place) and _enough(looks, windows, to=end):
                break
    return fully


def geometric(low: float, high: float, part: float) -> float:
    """Return what lies so far between two speeds (0…1) on a logarithmic scale."""
    return high if part == 1.0 else low * (high / low) ** part
