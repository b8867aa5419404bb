"""The feed's motion in equal cycles, one after another, at a steady speed.

What a cycle leaves of its lag is left to it by the one before. With K the loop gain, k the
feedforward, w the feed's speed with the clutch closed, and T the period, the lag of a feed whose
command rises and falls in two ramps is full, (1 − k)·w/K, less what is missing behind the ramp-in,
less the same behind the ramp-out (:func:`feedsim.motion.ramps.lag_missing`). From no lag at its
start a cycle ends with

    b = (1 − k)·w/K·(missing(t_out, T_out) − missing(t_in, T_in)),

t_in and t_out from the ends of ramp-in T_in and ramp-out T_out to its own end. Whatever lag it
starts with falls to e^(−K·T) of it, so that cycles with the lag b/(1 − e^(−K·T)) at their start are
equal.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from feedsim.machine import SAME_STEP, Clutch, Servo
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.motion.feed_piece import steady_lag
from feedsim.motion.ramps import lag_missing
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.nominal import engaged_time, ready_time


class Parts(NamedTuple):
    """What equal cycles depend on: lengths in mm, speeds in mm/s.

    ``before``: as :func:`cycles_before` has it. ``skips``: carriers are paced and do not wait.
    """

    carrier_pitch_mm: float
    insert_pitch_mm: float
    before: int
    ratio: float
    skips: bool
    clutch: Clutch
    servo: Servo
    speed_mm_s: float


class Cycles(NamedTuple):
    """The motion of equal cycles: when the last one starts (s), where, and when it opens."""

    feed: FeedMotion
    start_s: float
    start_mm: float
    opening_s: float
    period_s: float


def parts_at(at: FeederAtSpeed, speed_mm_s: float, *, before: int | None = None) -> Parts:
    """Return what the cycles of a feeder depend on at a counted speed (mm/s).

    ``before``: by default that of inserts at the stage position.
    """
    return Parts(
        carrier_pitch_mm=at.carriers.pitch_mm,
        insert_pitch_mm=at.inserts.pitch_mm,
        before=cycles_before(at) if before is None else before,
        ratio=at.settings.speed_ratio,
        skips=at.carriers.arrival.in_step and not at.controller.not_ready_engages,
        clutch=at.feeder.clutch,
        servo=at.feeder.servo,
        speed_mm_s=speed_mm_s,
    )


def cycles_before(at: FeederAtSpeed, further_mm: float = 0.0) -> int:
    """Return how many cycles before its own an edge or a landing may be, staged further on."""
    insert_pitch = at.inserts.pitch_mm
    beyond = at.settings.stage_position_mm + further_mm
    beyond -= min(insert_pitch, at.feeder.insert_eye_to_placement_mm)
    return max(0, math.ceil(beyond / insert_pitch))


@lru_cache(maxsize=256)
def equal_cycles(parts: Parts, *, opens: bool = True) -> Cycles | None:
    """Return the motion of equal cycles; None where one would open inside its ramp-in.

    Where a cycle takes longer than a carrier pitch, a paced carrier out of so many is served.
    ``opens``: whether the clutch opens in the last one.
    """
    return last_opened(parts, 0.0 if opens else None)


def last_opened(parts: Parts, later_s: float | None) -> Cycles | None:
    """Return the same with an opening of the last cycle that much later (s); None: never."""
    clutch, pitch, speed = parts.clutch, parts.insert_pitch_mm, parts.speed_mm_s
    ramp_in, ramp_out = (
        Ramp(clutch.ramp_in, clutch.travel_ramp),
        Ramp(clutch.ramp_out, clutch.travel_ramp),
    )
    in_s, out_s = clutch.ramps_s(speed)
    opening = engaged_time(clutch, pitch, ratio=parts.ratio, counted_mm_s=speed)
    if opening < in_s:
        return None
    delay = parts.servo.command_delay_s
    busy = ready_time(clutch, parts.servo, opening, counted_mm_s=speed)
    every = parts.carrier_pitch_mm / speed
    period = max(every, busy)
    if parts.skips:
        period = every * max(1, math.ceil(busy / every - SAME_STEP))
    ends = (period - delay - in_s, period - delay - opening - out_s)
    feed = _feed(parts, lag_mm=_lag_at_start(parts, (in_s, out_s), ends, period_s=period))
    last = parts.before
    for number in range(last + 1):
        feed.engage(number * period + delay, ramp_in)
        if number < last:
            feed.open(number * period + opening + delay, ramp_out)
    if later_s is not None:
        feed.open(last * period + opening + later_s + delay, ramp_out)
        # the feed is engaged again in time for what is still to land
        feed.engage((last + 1) * period + delay, ramp_in)
    return Cycles(feed, last * period, last * pitch, opening, period)


def from_rest(parts: Parts, delay_s: float = 0.0) -> FeedMotion:
    """Return a feed at rest whose clutch closes, and stays so."""
    feed = _feed(parts)
    feed.engage(delay_s, Ramp(parts.clutch.ramp_in, parts.clutch.travel_ramp))
    return feed


def _feed(parts: Parts, *, lag_mm: float = 0.0) -> FeedMotion:
    belt = BeltMotion([BeltPiece(0.0, 0.0, parts.speed_mm_s, 0.0)])
    return FeedMotion(belt, scale_error=0.0, ratio=parts.ratio, servo=parts.servo, lag_mm=lag_mm)


def _lag_at_start(
    parts: Parts, ramps_s: tuple[float, float], ends_s: tuple[float, float], *, period_s: float
) -> float:
    """Return the lag (mm) with which equal cycles start (derived at the head of this module).

    ``ramps_s``: T_in and T_out. ``ends_s``: t_in and t_out.
    """
    gain, w = parts.servo.loop_gain_per_s, parts.ratio * parts.speed_mm_s
    lag = steady_lag(w, gain, parts.servo.velocity_feedforward)
    if lag == 0.0:
        return 0.0
    risen, fallen = (
        lag_missing(end, ramp, gain) for ramp, end in zip(ramps_s, ends_s, strict=True)
    )
    left = lag * (fallen - risen)
    return left / -math.expm1(-gain * period_s)
