"""Where a clutch acts on a mark whose point stage correction shifts, and what is expected.

The shift takes the values that the opening had (:mod:`feedsim.settings.acts`). Approximations: if a
locked opening comes in steps, the shifts are computed one by one; if a count has more than 200
steps, rounding and count are two uniform parts instead, at most a step off; values closer than a
64th of their range are merged at their mean
(:func:`feedsim.probability.distribution_parts.merged`), which keeps the mean.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import SAME_STEP
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import merged
from feedsim.settings.acts import (
    first_lattice,
    free_half_widths,
    is_locked,
    later_ticks,
    locked_step,
    rounded,
    step_travel,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term

_MOST_IN_A_COUNT = 200
_MOST_VALUES = 64
_Steps = tuple[Floats, Floats]


@term
def corrected_acts(at: FeederAtSpeed, engage: float) -> Distribution:
    """Return the same as :func:`side_acts` for the engage point with stage correction.

    The correction shifts E by the error of the opening, then E is rounded. With a free insert eye
    the shift spreads over a count and a motion cycle: rounding and count are two uniform parts, and
    the wait from the point to the next motion tick is anything up to a cycle, locked or not; for a
    locked carrier side the mean is known too (:func:`_spread_mean`). With a locked insert eye, or
    with openings at a tick (:func:`opens_at_tick`), the shift takes the opening's own values.

    ``engage``: E without the correction, mm of counted travel, not rounded.
    """
    rounding, free = (
        Distribution(half_widths=free_half_widths(at)[:1]),
        Distribution(half_widths=free_half_widths(at)),
    )
    if opens_at_tick(at, at.opening_travel_mm):
        rest = free
        if is_locked(at.carrier_eye, at.controller):
            later = later_ticks(at, at.speed_mm_s)
            rest = rounding.plus(later) if fine_steps(at) else later
        return _chosen(at, _at_tick(at, engage, at.opening_travel_mm)).plus(rest)
    if not is_locked(at.eye, at.controller):
        mean = corrected_mean(at, engage, at.opening_travel_mm)
        return Distribution(mean).plus(rounding).plus(free)
    locked = is_locked(at.carrier_eye, at.controller)
    rest = later_ticks(at, at.speed_mm_s) if locked else free
    steps = _corrected_steps(at, engage, at.opening_travel_mm)
    if steps is None:
        return rounding.plus(rounding.plus(rest) if locked else rest)
    return _chosen(at, steps).plus(rest)


def _chosen(at: FeederAtSpeed, steps: _Steps) -> Distribution:
    choices = merged(*steps, most=_MOST_VALUES)
    return Distribution(choices=({at.scale * x: p for x, p in choices.items()},))


def corrected_mean(at: FeederAtSpeed, engage: float, opening: float) -> float:
    """Return the mean of :func:`corrected_acts` (mm of belt travel) for an opening's U."""
    if opens_at_tick(at, opening):
        return at.scale * float(np.dot(*_at_tick(at, engage, opening)))
    if not is_locked(at.eye, at.controller):
        v, control, q = at.counted_mm_s, at.controller, at.count_mm
        step, cycle = step_travel(at), v * control.motion_cycle_s
        fine = q * _MOST_IN_A_COUNT < cycle or fine_steps(at)
        if fine or not is_locked(at.carrier_eye, control):
            return 0.0
        by = rounded(opening, q) - opening
        return at.scale * _spread_mean(engage + by, step=step, cycle=cycle, count_mm=q)
    steps = _corrected_steps(at, engage, opening)
    return at.scale * float(np.dot(*steps)) if steps else 0.0


def opens_at_tick(at: FeederAtSpeed, opening: float) -> bool:
    """Return whether openings fall on a motion tick after the scan tick, in no coarse steps.

    Their point is passed at the scan tick, whatever the fraction of a count at the capture: U
    rounds to 0 counts or less. Not if ticks spread them over so many counts that one more does not
    matter. ``opening``: U, mm of counted travel, not rounded.
    """
    if at.count_mm == 0.0 or rounded(opening, at.count_mm) > 0.0:
        return False
    coarse = is_locked(at.eye, at.controller) and not fine_steps(at)
    return not coarse and sum(moved_at_tick(at, opening)[1:]) < _MOST_VALUES * at.count_mm


def fine_steps(at: FeederAtSpeed) -> bool:
    """Return whether a count has so many steps γ that they do not matter."""
    return at.count_mm > _MOST_IN_A_COUNT * step_travel(at)


def moved_at_tick(at: FeederAtSpeed, opening: float) -> tuple[float, float, float]:
    """Return the correction of E by openings that :func:`opens_at_tick`: mean and two widths.

    They come as long after their capture as a latched edge waits for its scan tick (up to a scan),
    and the motion tick after that (up to a cycle, less γ), where U − q/2 + cycle/2 is expected: mm
    of counted travel (derived in feedsim/MODEL.md, section 13, fact 1).
    """
    v, control = at.counted_mm_s, at.controller
    wait = 0.0 if at.eye.scanned else v * control.scan_s
    sooner = 0.0 if at.eye.scanned else step_travel(at)
    mean = 0.5 * (at.count_mm + wait - sooner) - opening
    return mean, wait, v * control.motion_cycle_s


def _at_tick(at: FeederAtSpeed, engage: float, opening: float) -> _Steps:
    """Return the effect of :func:`moved_at_tick` on the engage point, with probabilities."""
    q, step = at.count_mm, step_travel(at)
    mean, *widths = moved_at_tick(at, opening)
    middle, long, short = engage + mean, max(widths), min(widths)
    half = 0.5 * (long + short)
    if half == 0.0:
        travel, shares = np.array([middle]), np.ones(1)
    else:
        low, high = middle - half, middle + half
        halves = q * (np.arange(math.floor(low / q), math.ceil(high / q)) + 0.5)
        ends = np.sort(np.concatenate((np.linspace(low, high, _MOST_VALUES + 1), halves)))
        ends = ends[(ends >= low) & (ends <= high)]
        travel = 0.5 * (ends[1:] + ends[:-1])
        shares = np.diff(_share_below(ends - middle, long, short))
    locked = is_locked(at.carrier_eye, at.controller) and not fine_steps(at)
    return _closed(travel - engage, shares, engage, step=step, count_mm=q, locked=locked)


def _share_below(ends: Floats, long: float, short: float) -> Floats:
    """Return the share below of the sum of two uniform parts about 0; the short one may be 0.

    The integral of a trapezoid (convolution, any textbook).
    """
    if short == 0.0:
        return np.asarray(np.clip(ends / long + 0.5, 0.0, 1.0))
    half, flat = 0.5 * (long + short), 0.5 * (long - short)
    corners = zip((1.0, -1.0, -1.0, 1.0), (half, flat, -flat, -half), strict=True)
    below = sum(sign * 0.5 * np.maximum(ends + corner, 0.0) ** 2 for sign, corner in corners)
    return np.asarray(below) / (long * short)


def _corrected_steps(at: FeederAtSpeed, engage: float, opening: float) -> _Steps | None:
    """Return the effect of a locked opening on the engage point; None if it is uniform."""
    if not is_locked(at.eye, at.controller) or fine_steps(at):
        return None
    return _corrected(
        engage,
        opening,
        step=step_travel(at),
        later=round(at.controller.motion_cycle_s / locked_step(at.controller)),
        count_mm=at.count_mm,
        locked=is_locked(at.carrier_eye, at.controller),
    )


@lru_cache(maxsize=64)
def _corrected(
    engage: float, opening: float, *, step: float, later: int, count_mm: float, locked: bool
) -> _Steps:
    """Return the shifts of a corrected engage point (mm of counted travel) with probabilities.

    The opening comes j steps after its scan tick with the shares of its own point and tick; the
    point is E + j·step less its expected value, rounded (derived in feedsim/MODEL.md, section 13,
    fact 1).

    ``engage``, ``opening``, ``step``: E, U and γ as mm of counted travel. ``later``: steps in a
    motion cycle. ``count_mm``: q, at most ``_MOST_IN_A_COUNT`` steps. ``locked``: the carrier side
    acts in steps too.
    """
    first = first_lattice(opening, step, count_mm=count_mm)
    shares = np.convolve(first.shares(), np.full(later, 1.0 / later))
    by: Floats = first.start - 0.5 * step * (later - 1) + step * np.arange(float(len(shares)))
    return _closed(by, shares, engage, step=step, count_mm=count_mm, locked=locked)


def _closed(
    by: Floats, shares: Floats, engage: float, *, step: float, count_mm: float, locked: bool
) -> _Steps:
    """Return the shifts of an engage point that is corrected by given travels with shares."""
    travel = engage + by
    point = np.asarray(count_mm * np.rint(travel / count_mm) if count_mm > 0.0 else travel)
    if not locked:
        return point - engage - by, shares
    reached, chances = reached_steps(point, step, count_mm=count_mm)
    shifts = reached * step - (travel - 0.5 * count_mm + 0.5 * step)[:, None]
    chances = shares[:, None] * chances
    some = chances > 0.0
    return shifts[some], chances[some]


@lru_cache(maxsize=64)
def _spread_mean(engage: float, *, step: float, cycle: float, count_mm: float) -> float:
    """Return the mean shift of a corrected engage point (mm of counted travel) in locked steps.

    The correction is the sum of two uniform parts, a count and a motion cycle. It spreads E over
    whole counts N with that sum's shares between N − 1/2 and N + 1/2; steps reach N as in
    :func:`feedsim.settings.acts.first_lattice`. The mean is 0 if a step is a whole number of
    counts, and nearly 0 if counts are fine.

    ``engage``: E with the mean correction. ``cycle``: a motion cycle, mm of counted travel.
    """
    half = 0.5 * (count_mm + cycle)
    first, last = (round((engage + end) / count_mm) for end in (-half, half))
    edges: Floats = count_mm * (np.arange(float(first), last + 2.0) - 0.5) - engage
    shares = np.diff(_share_below(edges, max(count_mm, cycle), min(count_mm, cycle)))
    points = count_mm * np.arange(float(first), last + 1.0)
    reached, chances = reached_steps(points, step, count_mm=count_mm)
    act = step * float(shares @ (reached * chances).sum(axis=1))
    return act - (engage - 0.5 * count_mm + 0.5 * step)


def reached_steps(points: Floats, step: float, *, count_mm: float) -> _Steps:
    """Return the steps at which points are reached, with probabilities.

    As :func:`feedsim.settings.acts.first_lattice`, one row per point.
    """
    counts, each = (points / count_mm, step / count_mm) if count_mm > 0.0 else (points / step, 1.0)
    high = np.maximum(0.0, np.ceil(counts / each - SAME_STEP))
    low = high
    if count_mm > 0.0:
        low = np.minimum(high, np.maximum(0.0, np.ceil((counts - 1.0) / each - SAME_STEP)))
    reached: Floats = low[:, None] + np.arange(float(np.max(high - low)) + 1.0)
    # not yet reached after this many steps of a count
    not_yet = np.clip(counts[:, None] - reached * each, 0.0, 1.0) * (reached < high[:, None])
    before = np.concatenate((np.ones((len(points), 1)), not_yet[:, :-1]), axis=1)
    return reached, np.asarray(before - not_yet)
