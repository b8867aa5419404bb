"""Inserts that land only in the next cycle: short of their placement point at the next closing.

So it is behind a gap that is too short for ramps and lag: the next edge comes early, so that the
clutch opens early and stages short, and the lag that is left at the closing keeps the feed short of
rest. Both depend on the cycle before, by the lag that it left and by where it staged, and on when
the next carrier comes. Rows of cycles with fixed draws are followed side by side until they have
forgotten how they began; the share of gaps too short for the last cycle of each is then that of the
law of gaps (derived in feedsim/MODEL.md, section 13, fact 16).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.probability.distribution import Distribution, SharesBelow
from feedsim.settings.cycle_rows import (
    FORGETS,
    ROWS,
    Line,
    Rows,
    begun,
    cycle_of,
    draws,
    least_gap,
    line_of,
    step,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.nominal import following_time
from feedsim.settings.one_cycle import Cycle
from feedsim.settings.spreads import gaps, slips, staged_nose

_COUNTED, _CELLS = 3, 64
_FAR, _SD, _NARROW_MM, _IN_A_ROW = 8.0, 5.0, 1e-3, 3
_TURNS = math.pi * np.linspace(0.0, 0.5, 4)


class InNext(NamedTuple):
    """Inserts that land only in the next cycle.

    ``share``: of all. ``between_mm``: mean belt travel from the closing of their cycle to the next.
    """

    share: float = 0.0
    between_mm: float = 0.0


def lands_in_next(at: FeederAtSpeed) -> float:
    """Return the share of inserts that land only in the next cycle."""
    return in_next(at).share


@term
def in_next(at: FeederAtSpeed) -> InNext:
    """Return which inserts land only in the next cycle.

    Those of searches that go on past an insert have a long way behind them, and land before.
    """
    staged, slipped = staged_nose(at), slips(at).times(-1.0)
    ins, clutch = at.inserts, at.feeder.clutch
    there = staged.plus(gaps(at), slipped)
    ramps_s = sum(clutch.ramps_s(at.counted_mm_s))
    # each ramp costs half its travel at most, and each of two and a start λ of lag
    costs = at.feed_mm_s * (0.5 * ramps_s + 3.0 * following_time(at.feeder.servo))
    if there.average - _FAR * there.sd > _way(at) + costs:
        return InNext()
    cycle, noise = cycle_of(at), staged.shifted(-staged.average)
    if _land_by_far(at, cycle, there) or _all_land(at, cycle, there):
        return InNext()
    line = line_of(at, cycle)
    if not len(line.marks_mm):
        return InNext()
    rows = begun(line, staged.average)
    needs, found = noise.plus(slipped).times(-1.0).shares_below(), []
    for number, drawn in enumerate(draws()[: FORGETS + _COUNTED]):
        least = least_gap(line, rows)
        if number >= FORGETS:
            found.append(_too_short(line, rows, least, needs))
        rows = step(line, rows, least, drawn, off_mm=noise.sd).rows
    short, between = np.mean(found, axis=0).tolist()
    if short <= 0.0:
        return InNext()
    return InNext((1.0 - line.gone) * (1.0 - ins.double) * short, between / short)


def _land_by_far(at: FeederAtSpeed, cycle: Cycle, there: Distribution) -> bool:
    """Return whether inserts land by far, whatever the spreads: if so, :func:`_all_land` says so.

    An edge that comes after a way s comes soonest without a lag. Where the clutch opens behind its
    edge, the whole travel of the cycle less s grows with s, by the ramps of :class:`Cycle`. So the
    shortest gap decides, behind the insert that is staged furthest on. What is left of a lag is
    never below 0, and each cycle adds at most λ to it.
    """
    staged, ins = staged_nose(at), at.inserts
    spread = _FAR * there.normal_sd
    gap = ins.gap_mm - spread
    furthest = staged.bounds()[1] + _FAR * staged.normal_sd
    way = ins.length_mm + max(ins.min_gap_mm, gap) - furthest
    if way <= 0.0 or cycle.opens_s < 0.0 or cycle.lag_mm < 0.0:
        return False
    ran_s = way / cycle.feed_mm_s
    half_s = 0.5 * cycle.in_s
    edge_s = ran_s + half_s if ran_s > half_s else 2.0 * math.sqrt(half_s * ran_s)
    beyond = float(cycle.opened(np.array(edge_s)).end_mm) - way
    reaches = beyond + ins.length_mm + gap - _IN_A_ROW * cycle.lag_mm
    short = slips(at).average + there.average - there.bounds()[0]
    return reaches - at.feeder.insert_eye_to_placement_mm > short


def _all_land(at: FeederAtSpeed, cycle: Cycle, there: Distribution) -> bool:
    """Return whether inserts land that all spreads leave as short as they can (normal ones: 8 sd).

    A short gap costs the most, since its edge comes early; so it does behind an insert that is
    staged far on, most where that edge passes the eye as the clutch closes. What is left of the
    spreads once no gap is shorter is taken from the way. Each cycle follows at once. ``there``: the
    law of stage, gap and slip.
    """
    staged, ins = staged_nose(at), at.inserts
    (low, high), (least, _) = staged.bounds(), there.bounds()
    further = _FAR * staged.normal_sd * np.sin(_TURNS)
    wanted = ins.gap_mm - _FAR * there.normal_sd * np.cos(_TURNS)
    gap = np.maximum(ins.min_gap_mm, wanted)
    ends = low - further, high + further
    nose = np.array([*ends, np.clip(ins.length_mm + gap, *ends)])
    left = reaches = np.zeros(nose.shape)
    for _ in range(_IN_A_ROW):
        opened = cycle.opened(cycle.time_at(ins.length_mm + gap - nose, left))
        left = cycle.left(opened, opened.rests_s + cycle.busy_s - cycle.delay_s, left)
        reaches = opened.end_mm - left + nose - at.feeder.insert_eye_to_placement_mm
    return bool(np.min(reaches - (gap - wanted)) > slips(at).average + there.average - least)


def _way(at: FeederAtSpeed) -> float:
    return at.feeder.insert_eye_to_placement_mm - at.inserts.length_mm


def _too_short(line: Line, rows: Rows, least: Floats, needs: SharesBelow) -> tuple[float, float]:
    """Return the share of gaps that leave an insert short of its placement point.

    And the belt travel (mm) to the next closing, weighted with these shares.

    ``least``: of :func:`least_gap`. ``needs``: the law of how much further than on average the feed
    must run (mm). Taken over cells of a gap in each of which the law of gaps is even, and what the
    feed reaches straight.
    """
    from scipy.special import ndtr

    ins, cycle = line.inserts, line.cycle
    least, rows = least[:, None], rows.upright()
    sd = max(ins.gap_sd_mm, _NARROW_MM)
    low = max(ins.min_gap_mm - _NARROW_MM, ins.gap_mm - _SD * sd)
    ends = [ins.length_mm + gap - rows.staged_mm for gap in (low, ins.gap_mm + _SD * sd)]
    first, last = (cycle.time_at(end, rows.left_mm) for end in ends)
    edge_s = first + (last - first) * np.linspace(0.0, 1.0, _CELLS + 1)
    way = cycle.travel(edge_s, rows.left_mm)
    opened = cycle.opened(edge_s)
    ready = rows.closed_mm + line.speed_mm_s * (opened.rests_s + cycle.busy_s)
    closed, _ = line.closing(rows, ready, opened.end_mm - way)
    between = closed - rows.closed_mm
    lasts = between / line.speed_mm_s - cycle.delay_s
    reaches = opened.end_mm - cycle.left(opened, lasts, rows.left_mm)
    reaches += rows.staged_mm - line.placement_mm
    gap = np.maximum(way - ins.length_mm + rows.staged_mm, least)
    below = np.where(gap <= ins.min_gap_mm, 0.0, ndtr((gap - ins.gap_mm) / sd))
    found = np.diff(below, axis=1) * (1.0 - _mean_below(needs, reaches))
    middle = 0.5 * (between[:, 1:] + between[:, :-1])
    return float(np.sum(found)) / ROWS, float(np.sum(found * middle)) / ROWS


def _mean_below(law: SharesBelow, limits: Floats) -> Floats:
    """Return the mean share below limits that go from each to the next, along the last axis.

    By the law's integral H, (H(b) − H(a))/(b − a).
    """
    places, shares = law.places, law.shares
    if len(places) == 1:
        places, shares = np.array([places[0], places[0] + _NARROW_MM]), np.array([0.0, 1.0])
    steps = 0.5 * (shares[1:] + shares[:-1]) * np.diff(places)
    integral = np.concatenate(([0.0], np.cumsum(steps)))
    whole = np.interp(limits, places, integral) + np.maximum(limits - places[-1], 0.0)
    wide = np.diff(limits, axis=-1)
    narrow = np.abs(wide) < _NARROW_MM
    mean = np.diff(whole, axis=-1) / np.where(narrow, 1.0, wide)
    middle = np.interp(limits[..., 1:] - 0.5 * wide, places, shares)
    return np.where(narrow, middle, mean)
