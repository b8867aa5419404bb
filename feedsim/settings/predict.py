"""What a setup will do, in closed form: spread, stage, cycle, late marks and openings.

The simulation never sees these; it is checked against them.
"""

from __future__ import annotations

import math

from feedsim.machine import Controller, Eye, Feeder, Machine
from feedsim.settings.nominal import clipped_slip_sd
from feedsim.settings.standard_uncertainty import rectangular_sd

__all__ = [
    "cycle_time",
    "engage_travel",
    "known_bias",
    "late_opening_share",
    "late_share",
    "opening_travel",
    "placement_sd",
    "stage_sd",
]


def _is_multiple(long: float, short: float) -> bool:
    return short > 0.0 and abs(long / short - round(long / short)) < 1e-9 and long >= short


def _timing_variance(
    eye: Eye, controller: Controller, *, speed: float, count_mm: float, tick: bool
) -> float:
    """Variance of one side's travel (mm²) from its edge to the act of the clutch."""
    half_widths = [speed * eye.response_jitter_s, 0.5 * count_mm]
    if eye.scanned:
        half_widths.append(0.5 * speed * controller.scan_s)
    whole = eye.scanned and _is_multiple(controller.scan_s, controller.motion_cycle_s)
    if tick and not whole:
        half_widths.append(0.5 * speed * controller.motion_cycle_s)
    return sum(rectangular_sd(a) ** 2 for a in half_widths)


def placement_sd(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the standard deviation of the placement error (mm) at a line speed (mm/s).

    Sum of variances of independent sources, uniform ones a²/3 with half-width a
    (JCGM 100:2008, 4.3.7): eye edges and jitter, ticks, counts, slips. With stage
    correction the insert side's motion tick is known to the controller and drops out.
    """
    controller, q = machine.controller, machine.encoder.count_mm
    g = feeder.settings.speed_ratio
    carrier = machine.carrier_eye.edge_sd_mm**2 + _timing_variance(
        machine.carrier_eye, controller, speed=speed, count_mm=q, tick=True
    )
    insert = (feeder.eye.edge_sd_mm / g) ** 2 + _timing_variance(
        feeder.eye,
        controller,
        speed=speed,
        count_mm=q,
        tick=not feeder.settings.stage_correction,
    )
    slips = machine.carriers.slip_sd_mm**2 + (clipped_slip_sd(feeder.inserts) / g) ** 2
    return math.sqrt(carrier + insert + slips)


def known_bias(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the mean placement error that right settings leave (mm) at a line speed (mm/s).

    Rounding to whole counts; and, where an eye is scanned and the scan is a whole number of
    motion cycles, the whole number of cycles from the storing tick to the act, which is not
    half a cycle beyond the point on average. Insert side: the same of U, the other way round;
    with stage correction the controller knows it, and only E is left.
    """
    travel = engage_travel(machine, feeder, speed=speed)
    bias = _act_bias(machine, travel, speed=speed, scanned=machine.carrier_eye.scanned)
    if not feeder.settings.stage_correction:
        travel = opening_travel(machine, feeder, speed=speed)
        bias -= _act_bias(machine, travel, speed=speed, scanned=feeder.eye.scanned)
    return bias * (1.0 + machine.encoder.scale_error)


def _act_bias(machine: Machine, travel: float, *, speed: float, scanned: bool) -> float:
    """Mean counted travel from capture to act, less what the settings count on (mm).

    With u the fraction of a count at the storing tick, uniform on 0…1, a point N counts on is
    not reached at the j-th cycle of w counts where u + j·w < N; the mean number of cycles is
    the sum of those probabilities. With a wheel of no counts it is ⌈travel/(v_c·cycle)⌉.
    """
    q, controller = machine.encoder.count_mm, machine.controller
    cycle = speed / (1.0 + machine.encoder.scale_error) * controller.motion_cycle_s
    rounded = q * round(travel / q) if q > 0.0 else travel
    if not (scanned and _is_multiple(controller.scan_s, controller.motion_cycle_s)):
        return rounded - travel
    expected = travel - 0.5 * q + 0.5 * cycle
    if q == 0.0:
        return cycle * math.ceil(travel / cycle) - expected
    counts, each = rounded / q, cycle / q
    sure = max(0, math.ceil((counts - 1.0) / each))
    some = (min(1.0, counts - j * each) for j in range(sure, math.ceil(counts / each)))
    return cycle * (sure + sum(max(0.0, share) for share in some)) - expected


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
