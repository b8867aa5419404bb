"""Stage position, placement error and the rest between cycles, as whole distributions."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import (
    engage_travel,
    is_locked,
    side_acts,
)
from feedsim.settings.distribution import Distribution, clipped_at
from feedsim.settings.late_acts import late_engage_mean, late_opening
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.predict import (
    corrected_point,
    cycle_time,
    nose_at_opening,
    opening_acts,
    settings_off,
)

_FEW = 4

__all__ = [
    "belt_per_feed",
    "busy_travel",
    "gaps",
    "mark_to_act",
    "pitches",
    "placed_nose_at_opening",
    "placement_spread",
    "scale_shift",
    "slips",
    "stage_spread",
    "tail_at_opening",
]


@lru_cache(maxsize=8)
def stage_spread(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the nose of a staged insert rests (mm from its eye), late openings left out.

    What is late by a belt travel x stages g·x/(1 + ε) further on, ε the encoder's scale error: the
    feed follows the counted travel (feedsim/MODEL.md, section 6). An edge seen off is off as it is.
    """
    g = feeder.settings.speed_ratio
    off = settings_off(machine, feeder, speed=speed).stage_mm
    counted = 1.0 / (1.0 + machine.encoder.scale_error)
    seen = Distribution(
        mean=feeder.settings.stage_position_mm + off,
        normal_sd=feeder.eye.edge_sd_mm,
        half_widths=tuple(
            counted * g * half for half in _captures(machine, feeder.eye, speed=speed)
        ),
    )
    return seen.plus(opening_acts(machine, feeder, speed=speed).times(counted * g))


def _captures(machine: Machine, eye: Eye, *, speed: float) -> list[float]:
    """Half-widths (mm of belt travel) of one side's uniform parts from an edge to its capture."""
    widths = [speed * eye.response_jitter_s]
    return [*widths, 0.5 * speed * machine.controller.scan_s] if eye.scanned else widths


def placement_spread(
    machine: Machine, feeder: Feeder, *, speed: float, late: bool = True
) -> Distribution:
    """Return the placement error (mm, above 0: late), of marks that were known in time.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
    speed : float
        Line speed (mm/s).
    late : bool
        With what late openings do: the insert starts further on and comes early.
    """
    settings, per_feed = feeder.settings, belt_per_feed(machine, feeder)
    scale = 1.0 + machine.encoder.scale_error
    mean = settings_off(machine, feeder, speed=speed).error_mm + scale_shift(machine, feeder)
    if not machine.controller.late_mark_engages:
        mean += scale * late_engage_mean(machine, feeder, speed=speed)
    widths = (
        *_captures(machine, machine.carrier_eye, speed=speed),
        *_captures(machine, feeder.eye, speed=speed),
    )
    eyes = (machine.carrier_eye.edge_sd_mm, feeder.eye.edge_sd_mm * per_feed)
    mean -= clipped_slip_mean(feeder.inserts) * per_feed
    sd = math.hypot(*eyes, machine.carriers.slip_sd_mm)
    whole = Distribution(mean, sd, widths).plus(slips(feeder).times(per_feed))
    for act in _act_parts(machine, feeder, speed=speed):
        whole = whole.plus(act)
    if not late or settings.stage_correction:
        return whole
    behind = late_opening(machine, feeder, speed=speed)
    return replace(
        whole,
        mean=whole.mean - scale * behind.mean,
        rarely=tuple((share, -scale * length) for share, length in behind.rarely),
    )


def _act_parts(machine: Machine, feeder: Feeder, *, speed: float) -> list[Distribution]:
    """Return what the acts of both sides do to the placement (mm of belt travel)."""
    if feeder.settings.stage_correction:
        return [corrected_point(machine, feeder, speed=speed)]
    travel = engage_travel(machine, feeder, speed=speed)
    early = opening_acts(machine, feeder, speed=speed).times(-1.0)
    return [side_acts(machine, machine.carrier_eye, travel=travel, speed=speed), early]


def belt_per_feed(machine: Machine, feeder: Feeder) -> float:
    """Return (1 + ε)/g, the belt travel in which the feed runs one mm at full engagement.

    g: speed ratio; ε: the encoder's scale error (feedsim/MODEL.md, section 6).
    """
    return (1.0 + machine.encoder.scale_error) / feeder.settings.speed_ratio


def scale_shift(machine: Machine, feeder: Feeder) -> float:
    """Return by how much the encoder's scale error shifts the placement (mm), at any speed.

    ε·(D + target + mean carrier slip) (feedsim/MODEL.md, section 13).
    """
    return machine.encoder.scale_error * (
        feeder.eye_to_placement_mm + feeder.settings.target_offset_mm + machine.carriers.slip_mm
    )


def tail_at_opening(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the placed insert's tail is (mm from the insert eye) when the clutch opens."""
    return _placed_at_opening(machine, feeder, speed=speed, ahead_mm=0.0)


def placed_nose_at_opening(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return where the placed insert's nose would be then, were it not laid down."""
    return _placed_at_opening(machine, feeder, speed=speed, ahead_mm=feeder.inserts.length_mm)


def _placed_at_opening(
    machine: Machine, feeder: Feeder, *, speed: float, ahead_mm: float
) -> Distribution:
    """Return a place of the placed insert, so far and a gap ahead of the next one's nose.

    Late openings push it further on, as they do the next one.
    """
    staged = stage_spread(machine, feeder, speed=speed)
    late = late_opening(machine, feeder, speed=speed)
    nose = nose_at_opening(machine, feeder, speed=speed, staged_mm=staged.mean)
    there = replace(staged, mean=nose + ahead_mm).plus(gaps(feeder)).plus(slips(feeder).times(-1.0))
    return there.plus(late.times(feeder.settings.speed_ratio))


def slips(feeder: Feeder) -> Distribution:
    """Return an insert's slip (mm), as it is drawn."""
    return clipped_at(0.0, mean=feeder.inserts.slip_mm, sd=feeder.inserts.slip_sd_mm)


def gaps(feeder: Feeder) -> Distribution:
    """Return the gap between two inserts (mm), as it is drawn."""
    ins = feeder.inserts
    return clipped_at(ins.min_gap_mm, mean=ins.gap_mm, sd=ins.gap_sd_mm)


def _half_widths(machine: Machine, eye: Eye, *, speed: float, tick: bool = True) -> list[float]:
    """Half-widths (mm of belt travel) of one side's uniform parts, from an edge to the act.

    The tick of a scanned eye is not among them where it is locked to the scan.
    """
    locked = is_locked(eye, machine.controller)
    widths = _captures(machine, eye, speed=speed)
    if not locked:
        widths.append(0.5 * machine.encoder.count_mm * (1.0 + machine.encoder.scale_error))
    if tick and not locked:
        widths.append(0.5 * speed * machine.controller.motion_cycle_s)
    return widths


def busy_travel(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return the belt travel (mm) from a carrier's engage tick until another may be engaged.

    One feed cycle moves the feed by one insert pitch and what the stage is off before
    and after; engaging waits for a tick before, opening likewise; and since engage ticks and
    readiness are compared on one grid, the part of a cycle from opening to readiness counts as
    rounded up, less half a cycle.
    """
    controller, clutch = machine.controller, feeder.clutch
    per_feed = belt_per_feed(machine, feeder)
    cycle = controller.motion_cycle_s
    closing = clutch.ramp_out / speed if clutch.travel_ramp else clutch.ramp_out
    closing += clutch.settle_s + feeder.servo.command_delay_s
    grid = cycle * math.ceil(closing / cycle - 1e-9) - closing - 0.5 * cycle if cycle else 0.0
    busy = cycle_time(machine, feeder, speed=speed) + grid
    before = _half_widths(machine, machine.carrier_eye, speed=speed)
    after = _half_widths(machine, machine.carrier_eye, speed=speed, tick=False)
    staged = _half_widths(machine, feeder.eye, speed=speed)
    eyes = (machine.carrier_eye.edge_sd_mm, feeder.eye.edge_sd_mm * per_feed)
    sd = math.hypot(*(math.sqrt(2.0) * sd for sd in eyes))
    timing = Distribution(
        mean=speed * busy - feeder.inserts.gap_mm * per_feed,
        normal_sd=sd,
        half_widths=(*before, *after, *staged, *staged),
        rarely=((feeder.inserts.double, feeder.inserts.length_mm * per_feed),),
    )
    return timing.plus(gaps(feeder).times(per_feed))


def pitches(machine: Machine, carriers: int) -> Distribution:
    """Return the sum of so many pitches (mm) of paced carriers, each as it is drawn.

    Of more than a few that are clipped the sum is as good as normal.
    """
    c = machine.carriers
    one = clipped_at(c.length_mm + c.min_gap_mm, mean=c.pitch_mm, sd=c.pitch_sd_mm)
    if one.clipped and carriers <= _FEW:
        return Distribution(carriers * one.mean, clipped=one.clipped * carriers)
    return Distribution(carriers * one.average, math.sqrt(carriers) * one.sd)


def mark_to_act(machine: Machine, feeder: Feeder, *, speed: float) -> Distribution:
    """Return how far the belt comes (mm) from when a mark is known until it is acted on.

    Less what the next mark comes sooner or later after its carrier: jitter, edges and scan of
    both are in the spread.
    """
    controller, eye = machine.controller, machine.carrier_eye
    count, cycle = machine.encoder.count_mm, speed * controller.motion_cycle_s
    scan = 0.0 if eye.scanned else speed * controller.scan_s
    captures = _captures(machine, eye, speed=speed)
    return Distribution(
        engage_travel(machine, feeder, speed=speed) + 0.5 * (cycle - count - scan),
        math.sqrt(2.0) * eye.edge_sd_mm,
        (*captures, *captures, 0.5 * scan, 0.5 * cycle),
    )
