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
number. Finer steps are ignored: an act is then up to γ off, a 500th of the travel of a cycle.
"""

from __future__ import annotations

import math
from functools import lru_cache

from feedsim.machine import SAME_STEP, Controller, Eye
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import Lattice
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term

_FINEST = 500
_FEW_STEPS = 8


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
    return first_lattice(travel, step_travel(at), count_mm=at.count_mm)


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


def first_lattice(travel: float, step: float, *, count_mm: float) -> Lattice:
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
