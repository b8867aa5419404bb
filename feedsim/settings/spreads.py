"""Stage position, placement error and the rest between cycles, as whole distributions."""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import act_shifts, locked_step
from feedsim.settings.distribution import Distribution, clipped_normal
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.predict import (
    corrected_shift,
    cycle_time,
    engage_travel,
    expected_offsets,
    known_bias,
    nose_at_opening,
    opening_bias,
    opening_travel,
)

__all__ = [
    "late_opening",
    "placed_nose_at_opening",
    "placement_spread",
    "rest_between_cycles",
    "scale_shift",
    "stage_spread",
    "tail_at_opening",
]


def stage_spread(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the nose of a staged insert rests (mm from its eye), late openings left out."""
    g = feeder.settings.speed_ratio
    off = expected_offsets(machine, feeder, speed=speed).stage_mm
    bias = g * opening_bias(machine, feeder, speed=speed)
    shifts = act_shifts(
        machine,
        opening_travel(machine, feeder, speed=speed),
        speed=speed,
        scanned=feeder.eye.scanned,
    )
    return Distribution(
        mean=feeder.settings.stage_position_mm + off - bias,
        normal_sd=feeder.eye.edge_sd_mm,
        half_widths=tuple(g * a for a in _half_widths(machine, feeder.eye, speed=speed)),
        choices=({g * shift: share for shift, share in shifts.items()},),
    )


def _half_widths(machine: Machine, eye: Eye, *, speed: float, tick: bool = True) -> list[float]:
    """Half-widths (mm of belt travel) of one side's uniform parts, from an edge to the act.

    The tick of a scanned eye is not among them where it is locked to the scan: its steps are
    those of :func:`feedsim.settings.acts.act_shifts`.
    """
    controller = machine.controller
    widths = [speed * eye.response_jitter_s, 0.5 * machine.encoder.count_mm]
    if eye.scanned:
        widths.append(0.5 * speed * controller.scan_s)
    if tick and not (eye.scanned and locked_step(controller)):
        widths.append(0.5 * speed * controller.motion_cycle_s)
    return widths


def late_opening(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return by how much belt travel (mm) openings come late because the program knew too late.

    From capture to the scan tick passes a time uniform on 0…scan (none for a scanned eye);
    what of its travel lies beyond U is late. Settings count on half a cycle from the point to the
    motion tick; from a scan tick it is half a step γ less (:mod:`feedsim.settings.acts`).
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
    travel = opening_travel(machine, feeder, speed=speed)
    travel += 0.5 * counted * locked_step(machine.controller)
    wait = 0.0 if feeder.eye.scanned else counted * machine.controller.scan_s
    if travel < 0.0:
        return Distribution(mean=-travel, rarely=((1.0, wait),) if wait else ())
    if wait <= travel:
        return Distribution()
    return Distribution(rarely=((1.0 - travel / wait, wait - travel),))


def placement_spread(
    machine: Machine, feeder: Feeder, *, speed: float, late: bool = True
) -> Distribution:
    """Return the placement error (mm, above 0: late).

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
    speed : float
        Line speed (mm/s).
    late : bool
        With what late openings do: the insert starts further on and comes early.
    """
    settings, g = feeder.settings, feeder.settings.speed_ratio
    scale = 1.0 + machine.encoder.scale_error
    mean = expected_offsets(machine, feeder, speed=speed).error_mm
    mean += scale_shift(machine, feeder) - known_bias(machine, feeder, speed=speed)
    slips = clipped_normal(feeder.inserts.slip_mm, feeder.inserts.slip_sd_mm)
    off = clipped_slip_mean(feeder.inserts)
    widths, choices = _act_parts(machine, feeder, speed=speed)
    eyes = (machine.carrier_eye.edge_sd_mm, feeder.eye.edge_sd_mm / g)
    whole = Distribution(
        mean=mean,
        normal_sd=math.hypot(*eyes, machine.carriers.slip_sd_mm),
        half_widths=tuple(widths),
        choices=(*choices, {(slip - off) / g: share for slip, share in slips.items()}),
    )
    if not late or settings.stage_correction:
        return whole
    behind = late_opening(machine, feeder, speed=speed)
    return replace(
        whole,
        mean=whole.mean - scale * behind.mean,
        rarely=tuple((share, -scale * length) for share, length in behind.rarely),
    )


def _act_parts(
    machine: Machine, feeder: Feeder, *, speed: float
) -> tuple[list[float], list[dict[float, float]]]:
    """Return uniform half-widths and locked steps of both sides (mm of belt travel)."""
    corrected = feeder.settings.stage_correction
    scale = 1.0 + machine.encoder.scale_error
    carrier_eye = machine.carrier_eye
    widths = _half_widths(machine, carrier_eye, speed=speed)
    widths += _half_widths(machine, feeder.eye, speed=speed, tick=not corrected)
    if corrected:
        mean, variance = corrected_shift(machine, feeder, speed=speed)
        later = 0.5 * speed * machine.controller.motion_cycle_s if carrier_eye.scanned else 0.0
        locked = 0.5 * speed * locked_step(machine.controller) if carrier_eye.scanned else 0.0
        steps = math.sqrt(max(later * later - locked * locked, 0.0)) if locked else 0.0
        return [*widths, math.sqrt(3.0 * variance), steps], [{scale * mean: 1.0}]
    engage = act_shifts(
        machine,
        engage_travel(machine, feeder, speed=speed),
        speed=speed,
        scanned=carrier_eye.scanned,
    )
    opening = act_shifts(
        machine,
        opening_travel(machine, feeder, speed=speed),
        speed=speed,
        scanned=feeder.eye.scanned,
    )
    return widths, [
        {scale * by: share for by, share in engage.items()},
        {-scale * by: share for by, share in opening.items()},
    ]


def scale_shift(machine: Machine, feeder: Feeder) -> float:
    """Return by how much the encoder's scale error shifts the placement (mm), at any speed.

    ε·(D + target + mean carrier slip) (feedsim/MODEL.md, section 13).
    """
    return machine.encoder.scale_error * (
        feeder.eye_to_placement_mm + feeder.settings.target_offset_mm + machine.carriers.slip_mm
    )


def tail_at_opening(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the placed insert's tail is (mm from the insert eye) when the clutch opens."""
    return _placed_at_opening(machine, feeder, speed=speed, ahead_mm=feeder.inserts.gap_mm)


def placed_nose_at_opening(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the placed insert's nose would be then, were it not laid down."""
    ahead = feeder.inserts.gap_mm + feeder.inserts.length_mm
    return _placed_at_opening(machine, feeder, speed=speed, ahead_mm=ahead)


def _placed_at_opening(
    machine: Machine, feeder: Feeder, *, speed: float, ahead_mm: float
) -> Distribution:
    """Return a place of the placed insert, that far ahead of the next one's nose."""
    staged = stage_spread(machine, feeder, speed=speed)
    slips = clipped_normal(feeder.inserts.slip_mm, feeder.inserts.slip_sd_mm)
    return replace(
        staged,
        mean=nose_at_opening(machine, feeder, speed=speed, staged_mm=staged.mean) + ahead_mm,
        normal_sd=math.hypot(staged.normal_sd, feeder.inserts.gap_sd_mm),
        choices=(*staged.choices, {-slip: share for slip, share in slips.items()}),
    )


def rest_between_cycles(
    machine: Machine, feeder: Feeder, *, speed: float, carriers: int
) -> Distribution:
    """Return the travel left (mm) from readiness to the engage tick of a paced carrier.

    Below 0 the feeder is busy when that carrier, so many after the one served, has its point.
    One feed cycle moves the feed by one insert pitch and what the stage is off before
    and after; engaging waits for a tick before, opening likewise; and since engage ticks and
    readiness are compared on one grid, the part of a cycle from opening to readiness counts as
    rounded up, less half a cycle.
    """
    controller, clutch, g = machine.controller, feeder.clutch, feeder.settings.speed_ratio
    cycle = controller.motion_cycle_s
    closing = clutch.ramp_out / speed if clutch.travel_ramp else clutch.ramp_out
    closing += clutch.settle_s + feeder.servo.command_delay_s
    grid = cycle * math.ceil(closing / cycle - 1e-9) - closing - 0.5 * cycle if cycle else 0.0
    busy = cycle_time(machine, feeder, speed=speed) + grid
    before = _half_widths(machine, machine.carrier_eye, speed=speed)
    after = _half_widths(machine, machine.carrier_eye, speed=speed, tick=False)
    staged = _half_widths(machine, feeder.eye, speed=speed)
    sd = math.hypot(
        math.sqrt(carriers) * machine.carriers.pitch_sd_mm,
        math.sqrt(2.0) * machine.carrier_eye.edge_sd_mm,
        math.sqrt(2.0) * feeder.eye.edge_sd_mm / g,
        feeder.inserts.gap_sd_mm / g,
    )
    return Distribution(
        mean=carriers * machine.carriers.pitch_mm - speed * busy,
        normal_sd=sd,
        half_widths=(*before, *after, *staged, *staged),
    )
