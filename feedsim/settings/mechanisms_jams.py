"""What puts feed cycles at risk of a jam, in closed form."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from feedsim.criteria import Criteria
from feedsim.machine import Feeder, Machine
from feedsim.settings.distribution import Distribution
from feedsim.settings.late_acts import late_opening
from feedsim.settings.mechanisms_placed import late_marks_by
from feedsim.settings.mechanisms_unseen import strays, unseen
from feedsim.settings.nominal_cycle import run_up_until, way_until_slower
from feedsim.settings.predict import largest_demand
from feedsim.settings.spreads import (
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

_SAME = 1e-9
_SPEEDS = 8  # that others ask for again


@lru_cache(maxsize=_SPEEDS)
def nose_strike(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of cycles whose staged nose reaches beyond the nose limit."""
    return 1.0 - _staged(machine, feeder, speed).share_below(feeder.nose_limit_mm)


def _staged(machine: Machine, feeder: Feeder, speed: float) -> Distribution:
    """Return where the nose of a staged insert rests (mm from its eye), late openings in it."""
    late = late_opening(machine, feeder, speed=speed)
    staged = stage_spread(machine, feeder, speed=speed)
    return staged.plus(late.times(feeder.settings.speed_ratio))


@lru_cache(maxsize=_SPEEDS)
def tail_held(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of cycles in which the clutch opens before the placed tail is past the grip end.

    Of those that find the next insert at once: another opens an insert pitch later.
    """
    held = tail_at_opening(machine, feeder, speed=speed).share_below(feeder.grip_end_mm)
    return held and held * _at_once(machine, feeder, speed, allowed)


def _at_once(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Return the share of cycles that find the first insert that they search for."""
    return (1.0 - feeder.inserts.misfeed) * (1.0 - strays(machine, feeder, speed, allowed))


def off_carrier(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
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


def run_up(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that land before they are fast enough, or when they are too fast.

    Beyond those whose nose strikes: who is staged too far has less run-up.

    The way that an insert has, from where it is staged to the placement point and as far as it
    slips, is held against the way after which the feed is as fast as that, with what is left of
    the lag of the cycle before. Those that land too fast are past that way, but for those that
    land in the ramp-out when the feed has slowed down again.
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
    stage = _staged(machine, feeder, speed).times(-1.0).plus(slips(feeder))
    way = replace(stage, mean=stage.mean + feeder.insert_eye_to_placement_mm)
    slowest, fastest = (
        (1.0 + by) * speed for by in (-allowed.speed_mismatch, allowed.speed_mismatch)
    )
    steady = feeder.settings.speed_ratio * counted
    if steady < slowest * (1.0 - _SAME):
        return 1.0
    needed = run_up_until(
        machine, feeder, speed=counted, nose_mm_s=min(slowest, steady * (1.0 - _SAME))
    )
    strike = nose_strike(machine, feeder, speed, allowed)
    slow = max(0.0, way.share_below(needed) - strike) / (1.0 - strike) if strike < 1.0 else 0.0
    if steady <= fastest * (1.0 + _SAME):
        return slow
    most = run_up_until(machine, feeder, speed=counted, nose_mm_s=fastest)
    fast = 1.0 - way.share_below(most)
    still = way_until_slower(machine, feeder, speed=counted, nose_mm_s=fastest)
    nose = placed_nose_at_opening(machine, feeder, speed=speed)
    again = nose.share_below(feeder.insert_eye_to_placement_mm - still)
    return min(1.0, slow + max(0.0, fast - again))


def landing_late(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that land when the feed has slowed down too far.

    Beyond those whose tail is held: both stand too far back at the opening.

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
    held = tail_held(machine, feeder, speed, allowed)
    late = nose.share_below(feeder.insert_eye_to_placement_mm - still)
    late = late and late * _at_once(machine, feeder, speed, allowed)
    return max(0.0, late - held) / (1.0 - held) if held < 1.0 else 0.0


def drive(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """1 where the ramps ask for more acceleration than the drive allows, else 0."""
    limit = feeder.servo.max_acceleration_mm_s2
    return float(largest_demand(machine, feeder, speed=speed) > limit * (1.0 + 1e-9))


def doubles(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of cycles with a double, or with an insert unseen for other reasons than a gap."""
    return 1.0 - (1.0 - feeder.inserts.double) * (1.0 - unseen(machine, feeder, speed))
