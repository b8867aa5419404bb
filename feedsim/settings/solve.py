"""The right leads and distances: what ``"auto"`` stands for.

From an edge at its eye to an insert in place, at steady controller speed v_c, in counted
travel (ε is not known to the solver). Insert side: the capture comes d after the edge and,
on an encoder, reads q/2 low on average; the clutch acts U later and then waits half a
motion cycle; the drive acts ``command_delay`` later; the ramp-out adds half its time, or
half its travel; and the command was τ·v_c ahead of the feed when the edge passed. So

    stage/g = U − q/2 + A_out/2 + v_c·(d + cycle/2 + command_delay + T_out/2 + τ).

Carrier side: the insert must have run R + slip when its carrier has come D + target + its
own slip since the edge. The ramp-in costs the feed half its time or travel, the lag τ·v_c:

    D + target + carrier slip
        = E − q/2 + (R + insert slip)/g + A_in/2 + v_c·(d + cycle/2 + command_delay + T_in/2 + τ).

Both hold at every speed if the terms with v_c are cancelled by the leads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from feedsim.machine import Feeder, Machine, Settings
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.nominal import clipped_slip_mean, eye_delay, following_time

__all__ = ["Solution", "run_up_time", "solve", "solve_feeder"]


@dataclass(frozen=True, slots=True)
class Solution:
    """Leads (s) and distances (mm of counted travel) that put the mean error at 0.

    ``run_up_too_short``: at line speed the insert lands before the ramp-in has ended, so
    that the distance is right at that speed only.
    """

    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float
    run_up_too_short: bool


def solve_feeder(machine: Machine, feeder: Feeder) -> Solution:
    """Work out the right settings of one feeder at the line's speed."""
    controller, settings, clutch = machine.controller, feeder.settings, feeder.clutch
    g, half_count = settings.speed_ratio, 0.5 * machine.encoder.count_mm
    common = (
        following_time(feeder.servo)
        + feeder.servo.command_delay_s
        + 0.5 * controller.motion_cycle_s
    )
    in_time, in_travel = _halves(clutch.ramp_in, in_travel=clutch.travel_ramp)
    out_time, out_travel = _halves(clutch.ramp_out, in_travel=clutch.travel_ramp)
    engage_lead = eye_delay(machine.carrier_eye, controller) + common + in_time
    slip = clipped_slip_mean(feeder.inserts)
    run_up = feeder.insert_eye_to_placement_mm - settings.stage_position_mm + slip
    way = (
        feeder.eye_to_placement_mm
        + settings.target_offset_mm
        + machine.carriers.slip_mm
        + half_count
    )
    engage = way - run_up / g - in_travel
    v = machine.line.speed_mm_s
    landing = run_up_time(feeder, run_up, speed=v)
    short = landing < _ramp_time(feeder, speed=v)
    if short:
        steady = following_time(feeder.servo) + in_time + (run_up / g + in_travel) / v
        engage += v * (steady - landing)
    return Solution(
        engage_distance_mm=engage,
        engage_lead_s=engage_lead,
        disengage_distance_mm=settings.stage_position_mm / g - out_travel + half_count,
        disengage_lead_s=eye_delay(feeder.eye, controller) + common + out_time,
        run_up_too_short=short,
    )


def _halves(length: float, *, in_travel: bool) -> tuple[float, float]:
    """Return half a ramp as time (s) and as travel (mm); one of them is 0."""
    return (0.0, 0.5 * length) if in_travel else (0.5 * length, 0.0)


def _ramp_time(feeder: Feeder, *, speed: float) -> float:
    length = feeder.clutch.ramp_in
    return length / speed if feeder.clutch.travel_ramp else length


def run_up_time(feeder: Feeder, run_up: float, *, speed: float) -> float:
    """Return how long an insert takes from rest to the end of its run-up (s).

    Parameters
    ----------
    feeder : Feeder
    run_up : float
        mm, above 0.
    speed : float
        Controller speed (mm/s), steady.
    """
    belt = BeltMotion([BeltPiece(0.0, 0.0, speed, 0.0)])
    feed = FeedMotion(belt, scale_error=0.0, ratio=feeder.settings.speed_ratio, servo=feeder.servo)
    feed.engage(0.0, Ramp(feeder.clutch.ramp_in, feeder.clutch.travel_ramp))
    return feed.time_at(run_up)


def solve(machine: Machine) -> Machine:
    """Return the machine with every setting that is NaN (``"auto"``) worked out."""
    return replace(machine, feeders=tuple(_solved(machine, feeder) for feeder in machine.feeders))


def _solved(machine: Machine, feeder: Feeder) -> Feeder:
    given, right = feeder.settings, solve_feeder(machine, feeder)
    settings: Settings = replace(
        given,
        engage_distance_mm=_or(given.engage_distance_mm, right.engage_distance_mm),
        engage_lead_s=_or(given.engage_lead_s, right.engage_lead_s),
        disengage_distance_mm=_or(given.disengage_distance_mm, right.disengage_distance_mm),
        disengage_lead_s=_or(given.disengage_lead_s, right.disengage_lead_s),
    )
    return replace(feeder, settings=settings)


def _or(given: float, right: float) -> float:
    return right if math.isnan(given) else given
