"""What puts inserts out of tolerance, in closed form."""

from __future__ import annotations

import math

from feedsim.machine import Feeder, Machine
from feedsim.settings.acts import engage_travel, locked_step
from feedsim.settings.distribution import Distribution
from feedsim.settings.mechanism import Allowed
from feedsim.settings.mechanisms_unseen import strays
from feedsim.settings.nominal_cycle import no_cycle_because
from feedsim.settings.predict import cycle_time, late_share
from feedsim.settings.recorded import share_of_waits
from feedsim.settings.spreads import late_opening, placement_spread, rest_between_cycles
from feedsim.settings.waits import long_waits, long_waits_random

__all__ = [
    "late_engages",
    "late_marks_by",
    "late_openings",
    "late_service",
    "no_cycle",
    "placement",
    "waits_beyond",
]

_MANY = 1000
_NOTHING = 1e-9


def late_service(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts placed too late since the feeder had to be waited for."""
    return waits_beyond(allowed.placement_tolerance_mm, machine, feeder, speed, allowed)


def waits_beyond(
    limit: float, machine: Machine, feeder: Feeder, speed: float, allowed: Allowed
) -> float:
    """Return the share of carriers that wait for the feeder by more than a travel (mm).

    A wait is handed on to the next carrier: the waits follow Lindley's recursion. What comes
    twice a cycle, spread of pitch and gap, is in :mod:`feedsim.settings.waits`; a misfeed or a
    stray makes a single wait of an insert pitch, which the carriers after it work off.
    """
    if not machine.controller.not_ready_engages:
        return 0.0
    often = _common_waits(limit, machine, feeder, speed)
    return 1.0 - (1.0 - often) * (1.0 - _rare_waits(limit, machine, feeder, speed, allowed))


def _common_waits(limit: float, machine: Machine, feeder: Feeder, speed: float) -> float:
    c = machine.carriers
    if c.random:
        shortest = c.length_mm + c.min_gap_mm
        service = speed * cycle_time(machine, feeder, speed=speed) - shortest
        return long_waits_random(limit, service=service, mean_gap=c.pitch_mm - shortest)
    drift = _drift(machine, feeder, speed)
    gap_sd = feeder.inserts.gap_sd_mm / feeder.settings.speed_ratio
    if c.record_mm:  # the record's own waits, or those that the gaps between inserts make alone
        recorded = share_of_waits(c, limit, service_mm=c.pitch_mm - drift)
        return max(recorded, long_waits(limit, drift=drift, sd=gap_sd))
    return long_waits(limit, drift=drift, sd=math.hypot(c.pitch_sd_mm, gap_sd))


def _drift(machine: Machine, feeder: Feeder, speed: float) -> float:
    """Return by how much a carrier comes later than the feeder is ready, on average (mm)."""
    rest = rest_between_cycles(machine, feeder, speed=speed, carriers=1)
    # who waits is engaged at a tick after readiness, no longer half a cycle before its own
    return rest.average - 0.5 * speed * machine.controller.motion_cycle_s


def _rare_waits(
    limit: float, machine: Machine, feeder: Feeder, speed: float, allowed: Allowed
) -> float:
    """Return the share of waits beyond a limit that misfeeds and strays begin.

    With the share p of them, each an insert pitch P more of service: p·Σ P(P − k·drift beyond
    the limit) over the carriers k = 1, 2 … after it.
    """
    p = 1.0 - (1.0 - feeder.inserts.misfeed) * (1.0 - strays(machine, feeder, speed, allowed))
    drift, c = _drift(machine, feeder, speed), machine.carriers
    if p == 0.0 or drift <= 0.0:
        return float(p > 0.0)
    again = (feeder.inserts.length_mm + feeder.inserts.gap_mm) / feeder.settings.speed_ratio
    sd = math.hypot(c.pitch_sd_mm, feeder.inserts.gap_sd_mm / feeder.settings.speed_ratio)
    beyond, k = 0.0, 1
    while k < _MANY:
        left = Distribution(again - k * drift, math.sqrt(k) * sd)
        share = 1.0 - left.share_below(limit)
        if share < _NOTHING:
            break
        beyond, k = beyond + share, k + 1
    return min(1.0, p * beyond)


def late_engages(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts placed too late since their mark was known too late."""
    if not machine.controller.late_mark_engages:
        return 0.0
    # from a scan tick to the motion tick it is half a step less than settings count on
    sooner = 0.5 * speed * locked_step(machine.controller)
    return late_marks_by(machine, feeder, speed, allowed.placement_tolerance_mm + sooner)


def late_marks_by(machine: Machine, feeder: Feeder, speed: float, by_mm: float) -> float:
    """Return the share of marks known later than their point by more than a travel (mm).

    The point is a whole number of counts on, and passed once a further count is reached: by the
    mark's own fraction of a count that is half a count more on average.
    """
    travel, count = engage_travel(machine, feeder, speed=speed), machine.encoder.count_mm
    if count > 0.0:
        travel = count * (round(travel / count) + 0.5)
    return late_share(
        travel + by_mm,
        counted_speed=speed / (1.0 + machine.encoder.scale_error),
        scan_s=machine.controller.scan_s,
        scanned=machine.carrier_eye.scanned,
    )


def late_openings(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that late openings put out of tolerance, beyond those out anyway."""
    off = late_opening(machine, feeder, speed=speed)
    if not off.mean and not off.rarely:
        return 0.0
    outside = [
        _outside(placement_spread(machine, feeder, speed=speed, late=late), allowed)
        for late in (True, False)
    ]
    return max(0.0, outside[0] - outside[1])


def placement(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts out of tolerance by spread and mean error alone."""
    return _outside(placement_spread(machine, feeder, speed=speed, late=False), allowed)


def _outside(error: Distribution, allowed: Allowed) -> float:
    tolerance = allowed.placement_tolerance_mm
    return error.share_outside(-tolerance, tolerance)


def no_cycle(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """1 where cycles do not repeat as the settings count on, else 0."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    return float(bool(no_cycle_because(machine, feeder, speed=counted)))
