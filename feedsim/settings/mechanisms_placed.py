"""What puts inserts out of tolerance, in closed form."""

from __future__ import annotations

from dataclasses import replace

from feedsim.criteria import Criteria
from feedsim.machine import Feeder, Machine
from feedsim.settings.acts import engage_travel, locked_step
from feedsim.settings.distribution import Distribution
from feedsim.settings.late_acts import late_opening
from feedsim.settings.nominal_cycle import no_cycle_because
from feedsim.settings.predict import late_share
from feedsim.settings.spreads import gaps, placement_spread, slips, stage_spread
from feedsim.settings.waiting import waiting

__all__ = [
    "late_engages",
    "late_marks_by",
    "late_openings",
    "late_service",
    "no_cycle",
    "placement",
]


def late_service(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts placed too late since the feeder had to be waited for."""
    if not machine.controller.not_ready_engages:
        return 0.0
    waits = waiting(machine, feeder, speed, allowed)
    return waits.served_beyond(allowed.placement_tolerance_mm)


def late_engages(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
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


def late_openings(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that late openings put out of tolerance, beyond those out anyway."""
    off = late_opening(machine, feeder, speed=speed)
    if not off.mean and not off.rarely:
        return 0.0
    outside = _outside(placement_spread(machine, feeder, speed=speed), allowed)
    anyway = placement(machine, feeder, speed, allowed)
    return max(0.0, outside - anyway) / (1.0 - anyway) if anyway < 1.0 else 0.0


def placement(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts out of tolerance by spread and mean error alone, no opening being late.

    Settings may make up for what late openings do on average; then that is left in.
    """
    alone = placement_spread(machine, feeder, speed=speed, late=False)
    mean = placement_spread(machine, feeder, speed=speed).average
    made_up = replace(alone, mean=alone.mean + mean - alone.average)
    means = [alone, made_up] if abs(mean) < abs(alone.average) else [alone]
    return min(_outside(error, allowed) for error in means)


def _outside(error: Distribution, allowed: Criteria) -> float:
    tolerance = allowed.placement_tolerance_mm
    return error.share_outside(-tolerance, tolerance)


def no_cycle(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that land only in the next cycle; 1 where cycles do not repeat at all.

    Those that the feed leaves short of the placement point when it rests with the next one staged.
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
    if no_cycle_because(machine, feeder, speed=counted):
        return 1.0
    late = late_opening(machine, feeder, speed=speed).times(feeder.settings.speed_ratio)
    next_one = stage_spread(machine, feeder, speed=speed).plus(late)
    there = next_one.plus(gaps(feeder)).plus(slips(feeder).times(-1.0))
    return there.share_below(feeder.insert_eye_to_placement_mm - feeder.inserts.length_mm)
