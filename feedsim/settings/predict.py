"""What a setup will do, in closed form: spread, stage, cycle, late marks and openings.

The simulation never sees these; it is checked against them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from feedsim.machine import Controller, Eye, Feeder, Machine
from feedsim.settings.acts import act_shifts, locked_step, mean_of, variance_of
from feedsim.settings.nominal import clipped_slip_sd, following_time
from feedsim.settings.solve import solve_feeder
from feedsim.settings.standard_uncertainty import rectangular_sd

__all__ = [
    "Expected",
    "corrected_shift",
    "cycle_time",
    "engage_travel",
    "expected_offsets",
    "known_bias",
    "largest_demand",
    "late_opening_share",
    "late_share",
    "nose_at_opening",
    "opening_bias",
    "opening_travel",
    "placement_sd",
    "stage_sd",
]


@dataclass(frozen=True, slots=True)
class Expected:
    """Where a setup stages and places on average, at one speed: mm off the target.

    ``stage_mm`` above 0: past the stage position; ``error_mm`` above 0: late.
    """

    stage_mm: float
    error_mm: float


def _timing_variance(
    eye: Eye, controller: Controller, *, speed: float, count_mm: float, tick: bool
) -> float:
    """Variance of one side's travel (mm²) from its edge to the act of the clutch.

    From the scan tick of a scanned eye the motion tick is a whole number of steps γ away: of
    the tick's variance cycle²/12 that leaves (cycle² − γ²)/12.
    """
    half_widths = [speed * eye.response_jitter_s, 0.5 * count_mm]
    if eye.scanned:
        half_widths.append(0.5 * speed * controller.scan_s)
    total = sum(rectangular_sd(a) ** 2 for a in half_widths)
    if tick:
        cycle, step = controller.motion_cycle_s, locked_step(controller) if eye.scanned else 0.0
        total += rectangular_sd(0.5 * speed * cycle) ** 2 - rectangular_sd(0.5 * speed * step) ** 2
    return total


def placement_sd(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the standard deviation of the placement error (mm) at a line speed (mm/s).

    Sum of variances of independent sources, uniform ones a²/3 with half-width a
    (JCGM 100:2008, 4.3.7): eye edges and jitter, ticks, counts, slips. With stage
    correction the insert side's motion tick is known to the controller and drops out; but
    its correction spreads E over the locked steps of a scanned carrier eye.
    """
    controller, q = machine.controller, machine.encoder.count_mm
    settings = feeder.settings
    g = settings.speed_ratio
    carrier = machine.carrier_eye.edge_sd_mm**2 + _timing_variance(
        machine.carrier_eye, controller, speed=speed, count_mm=q, tick=True
    )
    if settings.stage_correction:
        carrier += corrected_shift(machine, feeder, speed=speed)[1]
    insert = (feeder.eye.edge_sd_mm / g) ** 2 + _timing_variance(
        feeder.eye, controller, speed=speed, count_mm=q, tick=not settings.stage_correction
    )
    slips = machine.carriers.slip_sd_mm**2 + (clipped_slip_sd(feeder.inserts) / g) ** 2
    return math.sqrt(carrier + insert + slips)


def corrected_shift(machine: Machine, feeder: Feeder, *, speed: float) -> tuple[float, float]:
    """Return mean (mm) and variance (mm²) that steps and rounding leave with stage correction.

    The correction shifts E by what the opening was off. Latched, that is spread over whole
    motion cycles, and the steps average out: mean 0, variance (v_c·γ)²/12 where the carrier eye
    is scanned. Scanned, it takes the values of its own locked steps.
    """
    scanned = machine.carrier_eye.scanned
    step = speed * locked_step(machine.controller)
    if not feeder.eye.scanned or step == 0.0:
        return 0.0, rectangular_sd(0.5 * step) ** 2 if scanned else 0.0
    openings = act_shifts(
        machine, opening_travel(machine, feeder, speed=speed), speed=speed, scanned=True
    )
    travel = engage_travel(machine, feeder, speed=speed)
    means: dict[float, float] = {}
    for by, share in openings.items():
        mean = mean_of(act_shifts(machine, travel + by, speed=speed, scanned=scanned))
        means[mean] = means.get(mean, 0.0) + share
    return mean_of(means), variance_of(means)


def known_bias(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean placement error that right settings leave (mm) at a line speed (mm/s).

    Rounding to whole counts and, of scanned eyes, locked ticks
    (:mod:`feedsim.settings.acts`): of E, less the same of U; with stage correction of E with
    its correction.
    """
    scale = 1.0 + machine.encoder.scale_error
    if feeder.settings.stage_correction:
        return scale * corrected_shift(machine, feeder, speed=speed)[0]
    travel = engage_travel(machine, feeder, speed=speed)
    engage = act_shifts(machine, travel, speed=speed, scanned=machine.carrier_eye.scanned)
    return scale * (mean_of(engage) - opening_bias(machine, feeder, speed=speed))


def opening_bias(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean travel (mm, counted) by which openings are off what settings count on."""
    travel = opening_travel(machine, feeder, speed=speed)
    return mean_of(act_shifts(machine, travel, speed=speed, scanned=feeder.eye.scanned))


def expected_offsets(machine: Machine, feeder: Feeder, *, speed: float) -> Expected:
    """Return where the settings in force stage and place on average at a line speed (mm/s).

    With ΔE and ΔU what is given less what is right, the error is (1+ε)·(ΔE − ΔU), or
    (1+ε)·ΔE with stage correction, and the stage is off by g·ΔU; known terms added. The scale
    error's own shift is not in it.
    """
    given, right = feeder.settings, solve_feeder(machine, feeder)
    counted = speed / (1.0 + machine.encoder.scale_error)
    opening = given.disengage_distance_mm - right.disengage_distance_mm
    opening -= (given.disengage_lead_s - right.disengage_lead_s) * counted
    error = given.engage_distance_mm - right.engage_distance_mm
    error -= (given.engage_lead_s - right.engage_lead_s) * counted
    if not given.stage_correction:
        error -= opening
    opening += opening_bias(machine, feeder, speed=speed)
    return Expected(
        stage_mm=given.speed_ratio * opening,
        error_mm=(1.0 + machine.encoder.scale_error) * error
        + known_bias(machine, feeder, speed=speed),
    )


def stage_sd(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the standard deviation of the stage position (mm) at a line speed (mm/s)."""
    g = feeder.settings.speed_ratio
    timing = _timing_variance(
        feeder.eye,
        machine.controller,
        speed=speed,
        count_mm=machine.encoder.count_mm,
        tick=True,
    )
    return math.sqrt(feeder.eye.edge_sd_mm**2 + g * g * timing)


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

    The feed still runs on by its lag, the command delay and half the ramp-out until it rests
    at ``staged_mm``.
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
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


def engage_travel(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return E (mm of counted travel, not rounded) at a line speed (mm/s)."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    return feeder.settings.engage_distance_mm - feeder.settings.engage_lead_s * counted


def opening_travel(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return U (mm of counted travel, not rounded) at a line speed (mm/s)."""
    counted = speed / (1.0 + machine.encoder.scale_error)
    return feeder.settings.disengage_distance_mm - feeder.settings.disengage_lead_s * counted


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
