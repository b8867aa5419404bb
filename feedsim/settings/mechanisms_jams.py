"""Mechanisms that put feed cycles at risk of a jam, in closed form.

Each is the probability of a margin below 0 (feedsim/MODEL.md, section 10), by the distributions of
:mod:`feedsim.settings.spreads`. Independent causes a and b together: 1 − (1 − a)·(1 − b).
"""

from __future__ import annotations

from feedsim.criteria import Criteria
from feedsim.machine import SAME_RATIO
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.mechanisms_placed import beyond, late_marks_by, served_outside
from feedsim.settings.mechanisms_unseen import strays, unseen
from feedsim.settings.nominal_cycle import run_up_until, way_until_slower
from feedsim.settings.predict import largest_demand
from feedsim.settings.sources import placement_spread
from feedsim.settings.spreads import placed_nose_at_opening, slips, staged_nose, tail_at_opening
from feedsim.settings.waiting import waiting


@term
def nose_strike(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of cycles whose staged nose reaches beyond the nose limit: P(nose > limit)."""
    return 1.0 - staged_nose(at).share_below(at.feeder.nose_limit_mm)


@term
def tail_held(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of cycles in which the clutch opens before the placed tail is past the grip end.

    P(tail < grip end)·(1 − misfeed)·(1 − stray). Only among those that find the next insert at
    once: others open an insert pitch later.
    """
    held = tail_at_opening(at).share_below(at.feeder.grip_end_mm)
    return held and held * _at_once(at)


def _at_once(at: FeederAtSpeed) -> float:
    """Return the share of cycles whose search finds its first insert."""
    return (1.0 - at.inserts.misfeed) * (1.0 - strays(at))


def off_carrier(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that overhang an end of their carrier by more than is allowed.

    P(not −target − o ≤ error ≤ carrier − insert + o − target), o the overhang. Because of spread, a
    wait of the carrier or a late mark; a carrier out of reach by then gets no insert. Without what
    is left of the lag in cycles that are unlike.
    """
    error = placement_spread(at, lag=False)
    target, over = at.settings.target_offset_mm, allowed.overhang_mm
    room = at.carriers.room_mm(at.inserts) + over - target
    late, mean = 0.0, error.average
    if at.controller.not_ready_engages:
        late = served_outside(waiting(at, allowed), -target - over - mean, room - mean)
    if at.controller.late_mark_engages:
        reach = at.carriers.reach_mm(at.settings)
        marks = [late_marks_by(at, x) for x in (max(0.0, room - mean), reach)]
        late = 1.0 - (1.0 - late) * (1.0 - max(0.0, marks[0] - marks[1]))
    return 1.0 - (1.0 - error.share_outside(-target - over, room)) * (1.0 - late)


def run_up(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that land too slow or too fast, beyond those whose nose strikes.

    (An insert staged too far on has less run-up.) The run-up, from the staged nose to the placement
    point plus the slip, is compared with the travel after which the feed is fast enough, with the
    remaining lag of the previous cycle. Inserts land too fast beyond that travel, except those that
    land in the ramp-out when the feed has slowed down again.
    """
    way = staged_nose(at).times(-1.0).plus(slips(at)).shifted(at.feeder.insert_eye_to_placement_mm)
    slowest, fastest = (
        (1.0 + by) * at.speed_mm_s for by in (-allowed.speed_mismatch, allowed.speed_mismatch)
    )
    steady = at.feed_mm_s
    if steady < slowest * (1.0 - SAME_RATIO):
        return 1.0
    needed = run_up_until(at, min(slowest, steady * (1.0 - SAME_RATIO)))
    strike = nose_strike(at, allowed)
    slow = beyond(way.share_below(needed), strike)
    if steady <= fastest * (1.0 + SAME_RATIO):
        return slow
    most = run_up_until(at, fastest)
    fast = 1.0 - way.share_below(most)
    still = way_until_slower(at, fastest)
    nose = placed_nose_at_opening(at)
    again = nose.share_below(at.feeder.insert_eye_to_placement_mm - still)
    return min(1.0, slow + max(0.0, fast - again))


def landing_late(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that land when the feed has slowed down too far, beyond those held.

    (In both cases the insert is too far back at the opening.) The feed's motion in the nominal
    cycle gives the travel from the opening tick until it is too slow; inserts whose nose is then
    farther than that from the placement point land late.
    """
    nose = placed_nose_at_opening(at)
    slowest = (1.0 - allowed.speed_mismatch) * at.speed_mm_s
    if at.feed_mm_s < slowest:
        return 0.0  # too slow everywhere: counted under the run-up
    still = way_until_slower(at, slowest)
    held = tail_held(at, allowed)
    late = nose.share_below(at.feeder.insert_eye_to_placement_mm - still)
    late = late and late * _at_once(at)
    return beyond(late, held)


def drive(at: FeederAtSpeed, allowed: Criteria) -> float:
    """1 if the ramps demand more acceleration than the drive allows, else 0."""
    return float(overloads(at))


def overloads(at: FeederAtSpeed) -> bool:
    """Return whether they do (:func:`feedsim.settings.predict.largest_demand`)."""
    return largest_demand(at) > at.feeder.servo.max_acceleration_mm_s2 * (1.0 + SAME_RATIO)


def doubles(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of cycles with a double, or with an insert unseen for other reasons than a gap.

    1 − (1 − double)·(1 − unseen).
    """
    return 1.0 - (1.0 - at.inserts.double) * (1.0 - unseen(at))
