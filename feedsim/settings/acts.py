"""Where a clutch acts after a capture, against what the settings count on.

Settings count on an act travel − q/2 + v_c·cycle/2 after the capture: a count reads q/2 low on
average, and a motion tick is half a cycle off. What differs from that is known:

- points are rounded to whole counts;
- from a scan tick, which stores the travel of a scanned eye, to a motion tick passes a whole
  number of steps γ, the greatest common divisor of scan and motion cycle. The first of these
  instants at or after the point is at γ·⌈travel/(v_c·γ)⌉, and the motion tick is 0, γ, 2γ … up to
  cycle − γ later, each as likely. Where the scan is a whole number of cycles γ is the cycle.

With counts, u the fraction of a count at the storing tick, uniform on 0…1, a point N counts on
is not reached after j steps of w counts with probability clip(N − j·w, 0, 1).
"""

from __future__ import annotations

import math

from feedsim.machine import Controller, Machine

__all__ = ["act_shifts", "locked_step", "mean_of", "variance_of"]

_FINEST = 500
_SAME_STEPS = 1e-9


def locked_step(controller: Controller) -> float:
    """Return γ (s); 0 where it is too fine to matter, or there is no motion cycle.

    Examples
    --------
    >>> from feedsim.machine import Controller
    >>> locked_step(Controller(scan_s=0.010, motion_cycle_s=0.004))
    0.002
    """
    scan, cycle = (round(t * 1e9) for t in (controller.scan_s, controller.motion_cycle_s))
    if cycle == 0 or scan == 0:
        return 0.0
    step = math.gcd(scan, cycle)
    return step * 1e-9 if cycle // step <= _FINEST else 0.0


def act_shifts(
    machine: Machine, travel: float, *, speed: float, scanned: bool
) -> dict[float, float]:
    """Return act less what settings count on (mm of counted travel), with probabilities.

    Parameters
    ----------
    machine : Machine
    travel : float
        E or U, mm of counted travel, not rounded.
    speed : float
        Line speed (mm/s).
    scanned : bool
        Of the eye that captures. Latched, the tick's phase is uniform and only its mean is
        given: one value.
    """
    q, controller = machine.encoder.count_mm, machine.controller
    rounded = q * round(travel / q) if q > 0.0 else travel
    gamma = locked_step(controller)
    if not scanned or gamma == 0.0:
        return {rounded - travel: 1.0}
    counted = speed / (1.0 + machine.encoder.scale_error)
    step, cycle = counted * gamma, counted * controller.motion_cycle_s
    later = round(controller.motion_cycle_s / gamma)
    expected = travel - 0.5 * q + 0.5 * cycle
    shifts: dict[float, float] = {}
    for first, share in _first_steps(rounded, step, count_mm=q).items():
        for more in range(later):
            shift = (first + more) * step - expected
            shifts[shift] = shifts.get(shift, 0.0) + share / later
    return shifts


def _first_steps(travel: float, step: float, *, count_mm: float) -> dict[int, float]:
    """Return after how many steps a point is reached first, with probabilities."""
    if count_mm == 0.0:
        return {max(0, math.ceil(travel / step - _SAME_STEPS)): 1.0}
    counts, each = travel / count_mm, step / count_mm
    steps = max(0, math.ceil((counts - 1.0) / each - _SAME_STEPS))
    shares, not_yet = {}, 1.0
    while not_yet > 0.0:
        still = min(1.0, max(0.0, counts - steps * each))
        if not_yet > still:
            shares[steps] = not_yet - still
        not_yet, steps = still, steps + 1
    return shares


def mean_of(shifts: dict[float, float]) -> float:
    """Return the mean of a distribution."""
    return sum(shift * share for shift, share in shifts.items())


def variance_of(shifts: dict[float, float]) -> float:
    """Return the variance of a distribution."""
    mean = mean_of(shifts)
    return sum((shift - mean) ** 2 * share for shift, share in shifts.items())
