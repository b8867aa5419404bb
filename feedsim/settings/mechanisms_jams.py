"""What puts feed cycles at risk of a jam, in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.machine import Feeder, Machine
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.mechanism import Allowed
from feedsim.settings.mechanisms_placed import late_marks_by
from feedsim.settings.mechanisms_unseen import unseen
from feedsim.settings.nominal_cycle import way_until_slower
from feedsim.settings.predict import largest_demand
from feedsim.settings.spreads import (
    late_opening,
    placed_nose_at_opening,
    placement_spread,
    slips,
    stage_spread,
    tail_at_opening,
)
from feedsim.settings.waiting import waiting

__all__ = [
    "doubles",
    "drive",
    "landing_late",
    "nose_strike",
    "off_carrier",
    "run_up",
    "tail_held",
]


def nose_strike(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles whose staged nose reaches beyond the nose limit."""
    staged = stage_spread(machine, feeder, speed=speed)
    late, g = late_opening(machine, feeder, speed=speed), feeder.settings.speed_ratio
    return 1.0 - staged.plus(late.times(g)).share_below(feeder.nose_limit_mm)


def tail_held(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles in which the clutch opens before the placed tail is past the grip end."""
    return tail_at_opening(machine, feeder, speed=speed).share_below(feeder.grip_end_mm)


def off_carrier(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that stick out over an end of their carrier by more than is allowed.

    By spread, or since their carrier had to wait or its mark came late; one that is out of
    reach by then gets no insert.
    """
    error = placement_spread(machine, feeder, speed=speed)
    target, over = feeder.settings.target_offset_mm, allowed.overhang_mm
    length = machine.carriers.length_mm
    room = length - feeder.inserts.length_mm + over - target
    late = 0.0
    if machine.controller.not_ready_engages:
        late = waiting(machine, feeder, speed, allowed).served_beyond(room)
    if machine.controller.late_mark_engages:
        marks = [late_marks_by(machine, feeder, speed, x) for x in (room, length - target)]
        late = 1.0 - (1.0 - late) * (1.0 - max(0.0, marks[0] - marks[1]))
    return 1.0 - (1.0 - error.share_outside(-target - over, room)) * (1.0 - late)


def run_up(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that land before they are fast enough, or at a wrong speed altogether."""
    belt_speed, ratio = speed, feeder.settings.speed_ratio
    counted = speed / (1.0 + machine.encoder.scale_error)
    if abs(ratio * counted / belt_speed - 1.0) > allowed.speed_mismatch + 1e-9:
        return 1.0
    belt = BeltMotion([BeltPiece(0.0, 0.0, counted, 0.0)])
    feed = FeedMotion(belt, scale_error=0.0, ratio=ratio, servo=feeder.servo)
    feed.engage(0.0, Ramp(feeder.clutch.ramp_in, feeder.clutch.travel_ramp))
    needed = _way_to_speed(feed, (1.0 - allowed.speed_mismatch) * belt_speed)
    staged = stage_spread(machine, feeder, speed=speed)
    stage = staged.times(-1.0).plus(slips(feeder))
    way = replace(stage, mean=stage.mean + feeder.insert_eye_to_placement_mm)
    return way.share_below(needed)


def _way_to_speed(feed: FeedMotion, speed: float) -> float:
    """Return how far a feed that starts at 0 s runs until it is as fast as that (mm)."""
    low, high = 0.0, 1e-3
    while feed.speed(high) < speed:
        low, high = high, 2.0 * high
        if high > 1e4:
            return math.inf
    while high - low > 1e-12 * high:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if feed.speed(middle) < speed else (low, middle)
    return feed.position(high)


def landing_late(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of inserts that land when the feed has slowed down too far.

    Those whose nose stands, at the tick that opens the clutch, so far short of the placement
    point that the feed is too slow when it comes there: the feed's own motion in the nominal
    cycle says how far it runs until then.
    """
    nose = placed_nose_at_opening(machine, feeder, speed=speed)
    counted = speed / (1.0 + machine.encoder.scale_error)
    slowest = (1.0 - allowed.speed_mismatch) * speed
    if feeder.settings.speed_ratio * counted < slowest:
        return 0.0  # too slow at any place: that is the run-up's
    still = way_until_slower(machine, feeder, speed=counted, nose_mm_s=slowest)
    return nose.share_below(feeder.insert_eye_to_placement_mm - still)


def drive(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """1 where the ramps ask for more acceleration than the drive allows, else 0."""
    limit = feeder.servo.max_acceleration_mm_s2
    return float(largest_demand(machine, feeder, speed=speed) > limit * (1.0 + 1e-9))


def doubles(machine: Machine, feeder: Feeder, speed: float, allowed: Allowed) -> float:
    """Share of cycles with a double, or with an insert unseen for other reasons than a gap."""
    return 1.0 - (1.0 - feeder.inserts.double) * (1.0 - unseen(machine, feeder, speed))
