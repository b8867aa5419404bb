"""What a setup will do on average, in closed form: mean, stage, cycle, late marks and openings.

The simulation never sees these; it is checked against them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from feedsim.machine import Feeder, Machine
from feedsim.settings.acts import (
    act_shifts,
    corrected_acts,
    engage_travel,
    mean_of,
    opening_travel,
    side_acts,
)
from feedsim.settings.distribution import Distribution
from feedsim.settings.late_acts import late_engage_mean, late_opening_mean
from feedsim.settings.nominal import following_time
from feedsim.settings.nominal_cycle import left_at_opening
from feedsim.settings.right import solve_feeder

__all__ = [
    "Expected",
    "corrected_point",
    "cycle_time",
    "engage_travel",
    "expected_offsets",
    "known_bias",
    "largest_demand",
    "late_opening_share",
    "late_share",
    "nose_at_opening",
    "opening_acts",
    "opening_bias",
    "opening_travel",
    "settings_off",
]


@dataclass(frozen=True, slots=True)
class Expected:
    """Where a setup stages and places on average, at one speed: mm off the target.

    ``stage_mm`` above 0: past the stage position; ``error_mm`` above 0: late.
    """

    stage_mm: float
    error_mm: float


def opening_acts(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return opening less what settings count on (mm of belt travel), counts and ticks in it."""
    travel = opening_travel(machine, feeder, speed=speed)
    return side_acts(machine, feeder.eye, travel=travel, speed=speed)


def corrected_point(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return what acts do to the placement with stage correction (mm of belt travel).

    The correction moves E by where the insert was really staged: by the acts of its opening
    (:func:`feedsim.settings.acts.corrected_acts`), and by what settings of the opening are off.
    """
    s, off = feeder.settings, _opened_off(machine, feeder, speed=speed)
    moved = replace(s, engage_distance_mm=s.engage_distance_mm + off)
    return corrected_acts(machine, replace(feeder, settings=moved), speed=speed)


def _opened_off(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return ΔU, the travel (mm, counted) by which U is off the right one."""
    given, right = feeder.settings, solve_feeder(machine, feeder)
    off = given.disengage_distance_mm - right.disengage_distance_mm
    counted = speed / (1.0 + machine.encoder.scale_error)
    return off - (given.disengage_lead_s - right.disengage_lead_s) * counted


def known_bias(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean placement error that right settings leave (mm) at a line speed (mm/s).

    Rounding to whole counts and, of scanned eyes, locked ticks
    (:mod:`feedsim.settings.acts`): of E, less the same of U; with stage correction of E with
    its correction.
    """
    scale = 1.0 + machine.encoder.scale_error
    if feeder.settings.stage_correction:
        return corrected_point(machine, feeder, speed=speed).average
    travel = engage_travel(machine, feeder, speed=speed)
    engage = act_shifts(machine, travel, speed=speed, scanned=machine.carrier_eye.scanned)
    return scale * (mean_of(engage) - opening_bias(machine, feeder, speed=speed))


def opening_bias(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean travel (mm, counted) by which openings are off what settings count on."""
    travel = opening_travel(machine, feeder, speed=speed)
    return mean_of(act_shifts(machine, travel, speed=speed, scanned=feeder.eye.scanned))


def expected_offsets(machine: Machine, feeder: Feeder, *, speed: float) -> Expected:
    """Return where the settings in force stage and place on average at a line speed (mm/s).

    What they are off the right ones, the known terms, and what is known too late
    (:mod:`feedsim.settings.late_acts`). The scale error's own shift is not in it.
    """
    off = settings_off(machine, feeder, speed=speed)
    late = late_opening_mean(machine, feeder, speed=speed)
    opening = late + opening_bias(machine, feeder, speed=speed)
    error = late_engage_mean(machine, feeder, speed=speed)
    if not feeder.settings.stage_correction:
        error -= late
    return Expected(
        stage_mm=off.stage_mm + feeder.settings.speed_ratio * opening,
        error_mm=off.error_mm
        + (1.0 + machine.encoder.scale_error) * error
        + known_bias(machine, feeder, speed=speed),
    )


def settings_off(machine: Machine, feeder: Feeder, *, speed: float) -> Expected:
    """Return what the settings in force are off the right ones makes of stage and error.

    With ΔE and ΔU what is given less what is right, the error is (1+ε)·(ΔE − ΔU), or
    (1+ε)·ΔE with stage correction, and the stage is off by g·ΔU.
    """
    given, right = feeder.settings, solve_feeder(machine, feeder)
    counted = speed / (1.0 + machine.encoder.scale_error)
    opening = _opened_off(machine, feeder, speed=speed)
    error = given.engage_distance_mm - right.engage_distance_mm
    error -= (given.engage_lead_s - right.engage_lead_s) * counted
    if not given.stage_correction:
        error -= opening
    return Expected(given.speed_ratio * opening, (1.0 + machine.encoder.scale_error) * error)


def cycle_time(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean time of one feed cycle (s), closing to ready, without waiting for a tick.

    Insert pitch/g of counted travel at controller speed v/(1+ε), half of each ramp, the
    settling, and the command delay by which the ramp-out ends after its tick.
    """
    ins, clutch = feeder.inserts, feeder.clutch
    pitch = (ins.length_mm + ins.gap_mm) * (1.0 + machine.encoder.scale_error)
    ramps = 0.5 * (clutch.ramp_in + clutch.ramp_out)
    if clutch.travel_ramp:
        ramps *= (1.0 + machine.encoder.scale_error) / speed
    travel = pitch / feeder.settings.speed_ratio
    return travel / speed + ramps + clutch.settle_s + feeder.servo.command_delay_s


def nose_at_opening(machine: Machine, feeder: Feeder, *, speed: float, staged_mm: float) -> float:
    """Return where the next insert's nose is when the clutch opens (mm from its eye).

    The feed still runs on until it rests at ``staged_mm``: as the nominal cycle has it, with
    what is left of ramp-in and lag. Where there is none, by its lag, the command delay and half
    the ramp-out.
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
    left = left_at_opening(machine, feeder, speed=counted)
    if left is not None:
        return staged_mm - left
    still = counted * (following_time(feeder.servo) + feeder.servo.command_delay_s)
    half_ramp = 0.5 * feeder.clutch.ramp_out
    still += half_ramp if feeder.clutch.travel_ramp else counted * half_ramp
    return staged_mm - feeder.settings.speed_ratio * still


def largest_demand(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the larger acceleration that the two ramps ask of the drive (mm/s²)."""
    counted, clutch = speed / (1.0 + machine.encoder.scale_error), feeder.clutch
    wanted = feeder.settings.speed_ratio * (counted * counted if clutch.travel_ramp else counted)
    lengths = (clutch.ramp_in, clutch.ramp_out)
    return max(wanted / length if length > 0.0 else math.inf for length in lengths)


def late_share(travel: float, *, counted_speed: float, scan_s: float, scanned: bool) -> float:
    """Return the share of edges known only after their point has passed.

    From capture to the scan tick passes a time uniform on 0…scan (latched) or none
    (scanned, captured at the tick itself). Late where the point's travel is covered sooner:
    1 − travel/(v_c·scan).
    """
    if travel < 0.0:
        return 1.0
    wait = 0.0 if scanned else counted_speed * scan_s
    return max(0.0, 1.0 - travel / wait) if wait > 0.0 else 0.0


def late_opening_share(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the share of late openings at a line speed (mm/s)."""
    return late_share(
        opening_travel(machine, feeder, speed=speed),
        counted_speed=speed / (1.0 + machine.encoder.scale_error),
        scan_s=machine.controller.scan_s,
        scanned=feeder.eye.scanned,
    )
