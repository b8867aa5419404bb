"""Line speeds at which settings solved anew at each speed jump from one step to the next.

With locked ticks or coarse counts ``"auto"`` puts points onto steps of those
(:mod:`feedsim.settings.known`). As speed rises another step becomes the nearest. With E and U the
travels of the right settings, straight over speed while they hold at every speed, that happens
(derived from feedsim/MODEL.md, section 13) for

- a locked opening: where U − q/2 is a whole number of steps v_c·γ; else where U is half of an odd
  number of counts;
- a locked closing: where E − U is half of an odd number of steps, since the opening's step is off
  by as much as U is from a whole number; behind an opening that is not locked, where E − q/2 is a
  whole number of steps, up to the rounding of that opening; neither locked: where E − U is half of
  an odd number of counts.

Between two such speeds a locked point keeps its step. An opening that is not locked makes up for
what a locked closing leaves, so it moves on by counts, and turns round where the closing begins to
fall on two steps (:func:`_partly`). A controller with its own steps for distance and lead
(``resolution``) changes them in between, but within a step of the ticks; where only one of the two
has steps, the other makes up for them. So the steps and counts in which points act are compared
between all speeds found, and each jump is enclosed where they differ. A controller whose steps are
longer than those of the ticks has more jumps than are checked.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise

from feedsim.machine import SAME_STEP
from feedsim.settings.acts import is_locked, locked_step, step_travel
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import FEW_COUNTS
from feedsim.settings.next_count import moves_on
from feedsim.settings.right import right_settings
from feedsim.settings.straight import BESIDE, Straight, beside

At = Callable[[float], FeederAtSpeed]
"""Line speed (mm/s) → the feeder with its settings solved at that speed."""

Steps = tuple[object, ...]
StepsAt = Callable[[float], Steps]

_ALIKE = 2e-7
_EVENLY = 4
_HARDLY = 0.05
_MOST_IN_A_ROW = 24


def jumps_of_settings(
    at: At, low: float, high: float, *, most: int, least_mm: float
) -> tuple[list[tuple[float, float]], bool]:
    """Return the speeds (mm/s) just below and above each jump, and whether these are all.

    Parameters
    ----------
    at : callable
        Line speed (mm/s) → the feeder at that speed.
    low, high : float
        Near each other (mm/s).
    most : int
        Largest number of jumps of each kind.
    least_mm : float
        Jumps by less than this are left out.
    """
    expected: list[float] = []
    whole = True
    for line, per_s, mm, offset in _families(at, low, high):
        if per_s * high + mm <= least_mm:
            continue
        found, all_of_them = line.meets(per_s, mm, offset, ends=(low, high), most=most)
        expected += [v for _, v in found if low < v < high]
        whole &= all_of_them
    if not whole:
        return [beside(v) for v in _rising(expected)], False
    marks = [low, *_rising(expected), high]
    between = [0.5 * (a + b) for a, b in pairwise(marks)]
    evenly = [low + (high - low) * k / _EVENLY for k in range(1, _EVENLY)]
    steps = _steps(at, low, high, least_mm=least_mm)
    looked = sorted({low, high, *between, *evenly, *_partly(at, low, high, least_mm=least_mm)})
    jumps: list[tuple[float, float]] = []
    for a, b in pairwise(looked):
        here = [v for v in expected if a < v < b]
        jumps += _between(at, steps, a, b, here)
    return jumps, not _are_coarse(at(high))


def _between(
    at: At, steps: StepsAt, low: float, high: float, expected: list[float]
) -> Iterator[tuple[float, float]]:
    """Yield the speeds right below and above each jump between two (mm/s), rising."""
    last = steps(high)
    for _ in range(_MOST_IN_A_ROW):
        below = steps(low)
        if below == last or high - low <= 2.0 * BESIDE * high:
            return
        here = next((v for v in expected if low < v), None)
        sides = _enclosed(at, steps, low, high, here)
        yield sides
        low = sides[1]


def _partly(at: At, low: float, high: float, *, least_mm: float) -> Iterator[float]:
    """Yield the speeds between two from or up to which a point is reached in two steps.

    Where locked ticks are shorter than a few counts a point of N counts is put anywhere: from
    N − 1 to N counts in n steps it is reached now in n, now in one more. Behind an insert eye that
    is not locked the opening makes up for what that leaves, so that its point turns round there.
    """
    ends = at(low), at(high)
    step, count = locked_step(ends[0].controller) / ends[0].scale, ends[0].count_mm
    coarse = least_mm < ends[1].speed_mm_s * step < FEW_COUNTS * count
    if not coarse or not is_locked(ends[0].carrier_eye, ends[0].controller):
        return
    counts = [end.engage_travel_mm / count for end in ends]
    steps = [c * count / (end.speed_mm_s * step) for c, end in zip(counts, ends, strict=True)]
    for n in range(math.floor(min(steps)) - 1, math.ceil(max(steps)) + 2):
        for c in range(math.floor(min(counts)) - 2, math.ceil(max(counts)) + 2):
            if n > 0 and low < c * count / (n * step) < high:
                yield c * count / (n * step)


def _finest(at: FeederAtSpeed) -> float:
    """Return the finest step of travel that can be typed in (mm)."""
    steps = at.settings.resolution
    return max(steps.distance_mm, steps.lead_s * at.counted_mm_s)


def _are_coarse(at: FeederAtSpeed) -> bool:
    """Return whether the steps of settings may miss the middle of a step of ticks."""
    step = step_travel(at)
    return _finest(at) > max(0.0, step - at.count_mm) > 0.0


def _rising(speeds: list[float]) -> list[float]:
    """Return the speeds in order, without near duplicates."""
    found: list[float] = []
    for v in sorted(speeds):
        if not found or v - found[-1] > _ALIKE * v:
            found.append(v)
    return found


def _families(at: At, low: float, high: float) -> Iterator[tuple[Straight, float, float, float]]:
    """List the travels, with the step (per speed, or mm) and offset at which they jump."""
    ends = at(low), at(high)
    engage, opening = _right_lines(*ends)
    count, step = ends[0].count_mm, locked_step(ends[0].controller) / ends[0].scale
    half_count = Straight(0.5 * count, 0.0)
    carrier_locked, insert_locked = (
        is_locked(eye, ends[0].controller) for eye in (ends[0].carrier_eye, ends[0].eye)
    )
    if insert_locked:
        yield opening.less(half_count), step, 0.0, 0.0
    elif count > 0.0:
        yield opening, 0.0, count, 0.5
    if carrier_locked and insert_locked:
        yield engage.less(opening), step, 0.0, 0.5
    elif carrier_locked:
        yield engage.less(half_count), step, 0.0, 0.0
    elif count > 0.0:
        yield engage.less(opening), 0.0, count, 0.5


def _right_lines(low: FeederAtSpeed, high: FeederAtSpeed) -> tuple[Straight, Straight]:
    """Return E and U of the right settings."""
    engages, opens = [], []
    for at in (low, high):
        right, v = right_settings(at), at.counted_mm_s
        engages.append((at.speed_mm_s, right.engage_travel_mm(v)))
        opens.append((at.speed_mm_s, right.opening_travel_mm(v)))
    return Straight.through(*engages), Straight.through(*opens)


def _steps(at: At, low: float, high: float, *, least_mm: float) -> StepsAt:
    """Return a function of line speed (mm/s) between two: the steps in which both points act.

    That is the step or count of each point, or the settings that move it by their own steps.
    Counts that are shorter than the least, or hardly anything of a step of the ticks, are none.
    """
    moving = {side: _stepping(at(low), at(high), side) for side in ("engage", "disengage")}

    def steps(v: float) -> Steps:
        here, found = at(v), list[object]()
        sides = (
            ("engage", here.engage_travel_mm, here.carrier_eye),
            ("disengage", here.opening_travel_mm, here.eye),
        )
        locked = any(is_locked(eye, here.controller) for _, _, eye in sides)
        step = step_travel(here) if locked else 0.0
        for side, travel, eye in sides:
            if is_locked(eye, here.controller) and step > least_mm:
                found.append(math.ceil((travel - 0.5 * here.count_mm) / step - SAME_STEP))
                if step < FEW_COUNTS * here.count_mm:
                    found.append(round(travel / here.count_mm))
            elif moving[side]:
                found += [getattr(here.settings, name) for name in moving[side]]
            elif here.count_mm > max(least_mm, _HARDLY * step):
                found.append(round(travel / here.count_mm))
        return tuple(found)

    return steps


def _stepping(low: FeederAtSpeed, high: FeederAtSpeed, side: str) -> list[str]:
    """Return the settings of a side whose own steps move its point between two speeds.

    None if its distance or its lead is free to make up for the steps of the other: one without
    steps that is not the same at both speeds, as one that is typed in would be.
    """
    grid = low.settings.resolution
    names = {f"{side}_distance_mm": grid.distance_mm, f"{side}_lead_s": grid.lead_s}
    free = [name for name, step in names.items() if not step]
    if any(getattr(low.settings, name) != getattr(high.settings, name) for name in free):
        return []
    return [name for name, step in names.items() if step]


def _enclosed(
    at: At, steps: StepsAt, low: float, high: float, expected: float | None
) -> tuple[float, float]:
    """Return the speeds just below and above the first jump between two (mm/s)."""
    below = steps(low)
    if expected is not None:
        sides = beside(expected)
        if low < sides[0] and sides[1] < high:
            if steps(sides[0]) != below:
                high = sides[0]
            elif steps(sides[1]) != below:
                return sides
            else:
                low = sides[1]
    for guess in moves_on(at(low), at(high)):
        sides = _halved(low, high, partial(operator.gt, guess))
        if steps(sides[0]) == below != steps(sides[1]):
            return sides
    return _halved(low, high, lambda v: steps(v) == below)


def _halved(low: float, high: float, is_below: Callable[[float], bool]) -> tuple[float, float]:
    """Return the speeds just below and above a place between two (mm/s), by bisection."""
    while high - low > 2.0 * BESIDE * high:
        middle = 0.5 * (low + high)
        if is_below(middle):
            low = middle
        else:
            high = middle
    return low, high
