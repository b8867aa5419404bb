"""Where a clutch acts after a capture, compared with what the settings assume.

Settings assume an act at travel − q/2 + v_c·cycle/2 after the capture: a count reads q/2 low on
average, and a motion tick comes half a cycle late. The known differences are:

- points are rounded to whole counts;
- a scanned eye's travel is stored at a scan tick. From there to a motion tick it takes a whole
  number of steps γ, the greatest common divisor of scan and motion cycle. The first step at or
  after the point is at γ·⌈travel/(v_c·γ)⌉, and the motion tick is 0, γ, 2γ … cycle − γ later,
  equally likely. If the scan is a whole number of cycles, γ is the cycle.

With counts, let u be the fraction of a count at the storing tick, uniform on 0…1. A point N counts
on is not reached after j steps of w counts with probability clip(N − j·w, 0, 1): every step
between the first and the last has the share w.

Steps γ down to a 500th of a cycle are kept as rows in closed form
(:class:`feedsim.probability.distribution_parts.Lattice`), whose cost does not grow with their
number. Approximations:

- finer steps are ignored: an act is then up to γ off, a 500th of the travel of a cycle;
- if stage correction shifts a point by the steps of a locked opening, its values are computed one
  by one. If a count has more than 200 steps, rounding and count are two uniform parts instead, at
  most a step off; values closer than a 64th of their range are merged at their mean
  (:func:`feedsim.probability.distribution_parts.merged`), which keeps the mean.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import SAME_STEP, Controller, Eye
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import Lattice, merged
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term

_FINEST = 500
_MOST_IN_A_COUNT = 200
_MOST_VALUES = 64
_FEW_STEPS = 8
_Steps = tuple[Floats, Floats]


def locked_step(controller: Controller) -> float:
    """Return γ (s); 0 if it is too fine to matter or there is no motion cycle.

    Examples
    --------
    >>> from feedsim.machine import Controller
    >>> locked_step(Controller(scan_s=0.010, motion_cycle_s=0.004))
    0.002
    """
    return _locked_step(controller.scan_s, controller.motion_cycle_s)


@lru_cache(maxsize=64)
def _locked_step(scan_s: float, motion_cycle_s: float) -> float:
    scan, cycle = (round(t * 1e9) for t in (scan_s, motion_cycle_s))
    if cycle == 0 or scan == 0:
        return 0.0
    step = math.gcd(scan, cycle)
    return step * 1e-9 if cycle // step <= _FINEST else 0.0


def step_travel(at: FeederAtSpeed) -> float:
    """Return v_c·γ, the counted travel of a step γ (mm), by definition; 0 where that is."""
    return at.counted_mm_s * locked_step(at.controller)


def is_locked(eye: Eye, controller: Controller) -> bool:
    """Return whether the act on an eye's edge comes in steps γ from its capture."""
    return eye.scanned and locked_step(controller) > 0.0


@term
def side_acts(at: FeederAtSpeed, eye: Eye, travel: float) -> Distribution:
    """Return act less what settings assume (mm of belt travel), counts and ticks included.

    Free: count and tick are uniform. Locked: the fraction of a count at the storing tick decides
    the step, so the count has no part of its own.

    ``eye``: the one that captures. ``travel``: E or U, mm of counted travel, not rounded.
    """
    first = first_shifts(at, travel, scanned=eye.scanned)
    if not is_locked(eye, at.controller):
        return Distribution(at.scale * first.average, half_widths=free_half_widths(at))
    return first.times(at.scale).plus(later_ticks(at, at.speed_mm_s))


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
    first = _first_lattice(opening, step, count_mm=count_mm)
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
    :func:`_first_lattice`. The mean is 0 if a step is a whole number of counts, and nearly 0 if
    counts are fine.

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
    """Return the steps at which points are reached, with probabilities, as :func:`_first_lattice`.

    One row per point.
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


def free_half_widths(at: FeederAtSpeed) -> tuple[float, float]:
    """Return the half-widths (mm of belt travel) of a count and a tick at any phase.

    A count is (1 + ε)·q of belt travel, a tick v·cycle (feedsim/MODEL.md, section 13, fact 4).
    """
    return 0.5 * at.count_mm * at.scale, 0.5 * at.speed_mm_s * at.controller.motion_cycle_s


def tick_wait_variance(cycle_s: float, step_s: float) -> float:
    """Return the variance (s²) of the wait for a motion tick, from a scan tick one of some steps γ.

    n values a step γ apart have γ²·(n² − 1)/12 = (cycle² − γ²)/12 (discrete uniform distribution,
    any textbook); at any phase, γ = 0, it is cycle²/12.
    """
    return (cycle_s * cycle_s - step_s * step_s) / 12.0


@term
def later_ticks(at: FeederAtSpeed, speed: float) -> Distribution:
    """Return how far the motion tick lags the first step, less its mean (mm, as the speed's)."""
    gamma = locked_step(at.controller)
    many = round(at.controller.motion_cycle_s / gamma)
    return Distribution(lattices=(Lattice.even(speed * gamma, many),))


def mean_act(at: FeederAtSpeed, travel: float, *, scanned: bool) -> float:
    """Return the mean of act less what settings assume (mm of counted travel).

    ``travel``: E or U, mm of counted travel, not rounded. ``scanned``: whether the eye is; behind
    a latched one the tick's phase is uniform.
    """
    if not scanned or locked_step(at.controller) == 0.0:
        return rounded(travel, at.count_mm) - travel
    return _lattice(at, travel).mean + _later_mean(at)


@term
def _later_mean(at: FeederAtSpeed) -> float:
    return later_ticks(at, at.counted_mm_s).average


def first_shifts(at: FeederAtSpeed, travel: float, *, scanned: bool) -> Distribution:
    """Return act less what settings assume (mm), with the motion tick at its mean lag."""
    if not scanned or locked_step(at.controller) == 0.0:
        return Distribution(rounded(travel, at.count_mm) - travel)
    return Distribution(lattices=(_lattice(at, travel),))


def first_sd(at: FeederAtSpeed, travel: float, *, scanned: bool) -> float:
    """Return the standard deviation of :func:`first_shifts` (mm)."""
    if not scanned or locked_step(at.controller) == 0.0:
        return 0.0
    return math.sqrt(_lattice(at, travel).variance)


@term
def _lattice(at: FeederAtSpeed, travel: float) -> Lattice:
    return _first_lattice(travel, step_travel(at), count_mm=at.count_mm)


def first_steps(at: FeederAtSpeed, travel: float) -> tuple[tuple[float, float], ...]:
    """Return after what times (s) from its scan tick a point is reached by steps, with shares.

    The mean time alone if a count has many steps. ``travel``: E or U, mm of counted travel, not
    rounded.
    """
    row, step = _lattice(at, travel), locked_step(at.controller)
    assumed = travel - 0.5 * at.count_mm + 0.5 * at.counted_mm_s * step
    if row.many > _FEW_STEPS:
        return (((row.mean + assumed) / at.counted_mm_s, 1.0),)
    first_s = (row.start + assumed) / at.counted_mm_s
    return tuple((first_s + k * step, share) for k, share in enumerate(row.shares().tolist()))


def rounded(travel: float, count_mm: float) -> float:
    """Return a travel in whole counts, half to even (mm); unchanged without counts."""
    return count_mm * round(travel / count_mm) if count_mm > 0.0 else travel


def _first_lattice(travel: float, step: float, *, count_mm: float) -> Lattice:
    """Return the first step at which a point is reached, less what settings assume (mm).

    The motion tick comes (cycle − γ)/2 later on average; settings assume cycle/2.
    """
    expected = travel - 0.5 * count_mm + 0.5 * step
    point = rounded(travel, count_mm)
    if count_mm == 0.0:
        steps = max(0, math.ceil(point / step - SAME_STEP))
        return Lattice(steps * step - expected, step, 1, 1.0, 0.0)
    counts, each = point / count_mm, step / count_mm
    low, high = first_reached(travel, step, count_mm=count_mm)
    if high == low:
        return Lattice(low * step - expected, step, 1, 1.0, 0.0)
    first = 1.0 - min(1.0, max(0.0, counts - low * each))
    last = min(1.0, max(0.0, counts - (high - 1) * each))
    return Lattice(low * step - expected, step, high - low + 1, first, last)


def first_reached(travel: float, step: float, *, count_mm: float) -> tuple[int, int]:
    """Return the fewest and the most steps after which a point is reached, with counts (mm)."""
    counts, each = rounded(travel, count_mm) / count_mm, step / count_mm
    low = max(0, math.ceil((counts - 1.0) / each - SAME_STEP))
    return low, max(low, math.ceil(counts / each - SAME_STEP))
