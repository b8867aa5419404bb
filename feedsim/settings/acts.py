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
from collections.abc import Mapping

from feedsim.machine import Controller, Eye, Feeder, Machine
from feedsim.settings.distribution import Distribution

__all__ = [
    "act_shifts",
    "corrected_acts",
    "engage_travel",
    "first_shifts",
    "is_locked",
    "locked_step",
    "mean_of",
    "opening_travel",
    "side_acts",
    "variance_of",
]

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


def is_locked(eye: Eye, controller: Controller) -> bool:
    """Return whether the act on an eye's edge comes in steps γ from its capture."""
    return eye.scanned and locked_step(controller) > 0.0


def engage_travel(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return E (mm of counted travel, not rounded) at a line speed (mm/s)."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    return feeder.settings.engage_distance_mm - feeder.settings.engage_lead_s * counted


def opening_travel(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return U (mm of counted travel, not rounded) at a line speed (mm/s)."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    return feeder.settings.disengage_distance_mm - feeder.settings.disengage_lead_s * counted


def side_acts(machine: Machine, eye: Eye, *, travel: float, speed: float) -> Distribution:
    """Return act less what settings count on (mm of belt travel), counts and ticks in it.

    Free, the count and the tick are uniform. Locked, which step it is follows from the fraction
    of a count at the storing tick: the count has no part of its own.

    Parameters
    ----------
    machine : Machine
    eye : Eye
        That captures.
    travel : float
        E or U, mm of counted travel, not rounded.
    speed : float
        Line speed (mm/s).
    """
    scale = 1.0 + machine.encoder.scale_error
    first = first_shifts(machine, travel, speed=speed, scanned=eye.scanned)
    if not is_locked(eye, machine.controller):
        return Distribution(scale * mean_of(first), half_widths=_free(machine, speed))
    return Distribution(choices=(_scaled(first, scale), _later(machine, speed)))


def corrected_acts(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return what :func:`side_acts` does for the engage point with stage correction.

    The correction shifts E by what the opening was off, and E is rounded with it. Behind a free
    insert eye that is spread over whole motion cycles: rounding and count are two uniform
    parts, and from the point to the next motion tick passes anything up to a cycle, locked or
    not. Behind a locked one the shift takes the values of the opening's own steps.
    """
    controller, eye = machine.controller, machine.carrier_eye
    scale, half_count = 1.0 + machine.encoder.scale_error, 0.5 * machine.encoder.count_mm
    if not is_locked(feeder.eye, controller):
        return Distribution(half_widths=(half_count, *_free(machine, speed)))
    travel = engage_travel(machine, feeder, speed=speed)
    opening = opening_travel(machine, feeder, speed=speed)
    first: dict[float, float] = {}
    for by, share in act_shifts(machine, opening, speed=speed, scanned=True).items():
        shifts = first_shifts(machine, travel + by, speed=speed, scanned=eye.scanned)
        for shift, chance in shifts.items():
            first[shift] = first.get(shift, 0.0) + share * chance
    if not is_locked(eye, controller):
        return Distribution(half_widths=_free(machine, speed), choices=(_scaled(first, scale),))
    return Distribution(choices=(_scaled(first, scale), _later(machine, speed)))


def _free(machine: Machine, speed: float) -> tuple[float, float]:
    """Return the half-widths (mm of belt travel) of a count and a tick at any phase."""
    return 0.5 * machine.encoder.count_mm, 0.5 * speed * machine.controller.motion_cycle_s


def _later(machine: Machine, speed: float) -> dict[float, float]:
    """Return how far the motion tick is behind the first instant (mm of belt), less its mean."""
    gamma = locked_step(machine.controller)
    many = round(machine.controller.motion_cycle_s / gamma)
    return {speed * gamma * (k - 0.5 * (many - 1)): 1.0 / many for k in range(many)}


def _scaled(shifts: dict[float, float], scale: float) -> dict[float, float]:
    return {scale * shift: share for shift, share in shifts.items()}


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
    first = first_shifts(machine, travel, speed=speed, scanned=scanned)
    if not scanned or locked_step(machine.controller) == 0.0:
        return first
    counted = speed / (1.0 + machine.encoder.scale_error)
    shifts: dict[float, float] = {}
    for more, chance in _later(machine, counted).items():
        for shift, share in first.items():
            shifts[shift + more] = shifts.get(shift + more, 0.0) + share * chance
    return shifts


def first_shifts(
    machine: Machine, travel: float, *, speed: float, scanned: bool
) -> dict[float, float]:
    """Return what :func:`act_shifts` does, the motion tick as far behind as on average."""
    q, controller = machine.encoder.count_mm, machine.controller
    rounded = q * round(travel / q) if q > 0.0 else travel
    gamma = locked_step(controller)
    if not scanned or gamma == 0.0:
        return {rounded - travel: 1.0}
    step = speed / (1.0 + machine.encoder.scale_error) * gamma
    # a motion tick is half of (cycle - γ) behind the first instant, and half a cycle counted on
    expected = travel - 0.5 * q + 0.5 * step
    steps = _first_steps(rounded, step, count_mm=q)
    return {first * step - expected: share for first, share in steps.items()}


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


def mean_of(shifts: Mapping[float, float]) -> float:
    """Return the mean of a distribution."""
    return sum(shift * share for shift, share in shifts.items())


def variance_of(shifts: Mapping[float, float]) -> float:
    """Return the variance of a distribution."""
    mean = mean_of(shifts)
    return sum((shift - mean) ** 2 * share for shift, share in shifts.items())
