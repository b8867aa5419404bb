"""One mean feed cycle, with the ramp and lag remaining from the previous one.

The closed form of the right settings assumes that ramps have ended and the lag has settled when an
edge reaches its eye or an insert lands. This module covers the other cases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean
from typing import NamedTuple

from feedsim.machine import Feeder
from feedsim.motion.crossing import first_rise
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.equal_cycles import (
    Cycles,
    Parts,
    cycles_before,
    equal_cycles,
    from_rest,
    parts_at,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed, line_term, term
from feedsim.settings.nominal import (
    clipped_slip_mean,
    engaged_time,
    following_time,
    ready_time,
)

_PLACES = 4
_LONG_S = 5.0
_SURELY = 40.0  # e^-40 is 4e-18


@dataclass(frozen=True, slots=True)
class NominalCycle:
    """Times of a cycle among equal ones (s from the tick that closes the clutch).

    ``edge_s``: the next insert's edge passes its eye. ``opening_s``: the tick at which the clutch
    must open to stage that insert at its position. ``landing_s``: the insert lands. ``seen_mm``: by
    how much the stage estimate that corrects is too far on (mm of feed; 0 once ramp and lag have
    ended), which takes the feed to run at line speed while an edge becomes known.
    """

    edge_s: float
    opening_s: float
    landing_s: float
    seen_mm: float = 0.0


def nominal_cycle(at: FeederAtSpeed) -> NominalCycle | None:
    """Return the cycle that follows many equal ones, every card nominal.

    At the line's speed, as if the controller counted that (the solver does not know the scale
    error), with inserts resting at the stage position for any distances and leads. None if there is
    no such cycle (:func:`no_cycle_because`).
    """
    feeder, corrected = at.feeder, at.settings.stage_correction
    cycles, landing_s = _line_cycles(at, cycles_before(at)), usual_landing(at)
    if cycles is None or landing_s is None:
        return None
    pitch = feeder.inserts.pitch_mm
    edge = cycles.start_mm + pitch - feeder.settings.stage_position_mm
    edge_s, opening_s = cycles.feed.time_at(edge) - cycles.start_s, cycles.opening_s
    known_s = at.eye.response_s + at.eye.filter_s + at.eye.scanned * at.controller.scan_s
    if edge_s + (known_s if corrected else 0.0) > opening_s + feeder.servo.command_delay_s:
        # the clutch cannot open before the edge is known, so the feed runs on until then
        cycles = equal_cycles(parts_at(at, at.line_mm_s), opens=False) or cycles
        edge_s = cycles.feed.time_at(edge) - cycles.start_s
    seen = _seen_further(at, cycles.feed, cycles.start_s + edge_s) if corrected else 0.0
    return NominalCycle(edge_s, opening_s=opening_s, landing_s=landing_s, seen_mm=seen)


def _seen_further(at: FeederAtSpeed, feed: FeedMotion, edge_s: float) -> float:
    """Return g·v·d less the feed's run from an edge to its capture (mm), over scan phases.

    Derived from the stage estimate of feedsim/MODEL.md, section 8.
    """
    scan_s = at.controller.scan_s if at.eye.scanned else 0.0
    sooner = at.eye.response_s + at.eye.filter_s
    waits = [sooner + scan_s * (n + 0.5) / _PLACES for n in range(_PLACES if scan_s else 1)]
    runs = [feed.position(edge_s + wait) - feed.position(edge_s) for wait in waits]
    return at.settings.speed_ratio * at.line_mm_s * fmean(waits) - fmean(runs)


def nominal_landing(at: FeederAtSpeed, *, further_mm: float = 0.0) -> float | None:
    """Return ``landing_s`` of :func:`nominal_cycle` for inserts that rest further on."""
    cycles = _line_cycles(at, cycles_before(at, further_mm))
    if cycles is None:
        return None
    landing_s = _landing(cycles, at.feeder, further_mm=further_mm)
    return landing_s if landing_s < cycles.period_s else None


@line_term
def usual_landing(at: FeederAtSpeed) -> float | None:
    """Return :func:`nominal_landing` for inserts at the stage position."""
    return nominal_landing(at)


@line_term
def usually_left(at: FeederAtSpeed) -> float:
    """Return :func:`left_unsettled` for inserts at the stage position."""
    return left_unsettled(at)


def left_unsettled(at: FeederAtSpeed, *, further_mm: float = 0.0) -> float:
    """Return a bound (mm) on how far remaining ramps and lag move an act.

    For the cycle of :func:`nominal_cycle`, with inserts that rest further on by a travel. Suppose
    the ramp-in ends before the insert lands and the next edge comes, both happen before the clutch
    opens, and the ramp-out ends before it closes again. Then the rest of a lag falls by e^(−K·t) in
    the least time t between; it is less than 2·v/K for each ramp (feedsim/MODEL.md, section 13,
    fact 9), and adds up over cycles as a geometric series. Else infinite.
    """
    to = _until(at)
    stage = at.settings.stage_position_mm + further_mm
    way = at.feeder.insert_eye_to_placement_mm - stage
    next_way = to.pitch_mm - stage
    longest = max(way + clipped_slip_mean(at.inserts), next_way)
    if longest * to.per_s + to.half_ramp_s + to.lag_s >= to.opening_s:
        return math.inf
    least = min(to.rest_s, min(way, next_way) * to.per_s - to.half_ramp_s)
    gain = at.feeder.servo.loop_gain_per_s
    if least <= 0.0 or gain * least > _SURELY:
        return 0.0 if least > 0.0 else math.inf
    return 4.0 * at.line_mm_s / gain / math.expm1(gain * least)


class _Until(NamedTuple):
    """Values for :func:`left_unsettled` at any stage position; ``per_s``: s per mm of feed."""

    pitch_mm: float
    per_s: float
    opening_s: float
    rest_s: float
    half_ramp_s: float
    lag_s: float


@line_term
def _until(at: FeederAtSpeed) -> _Until:
    clutch, ins, servo, speed = at.feeder.clutch, at.inserts, at.feeder.servo, at.line_mm_s
    ratio, (ramp_in, ramp_out) = at.settings.speed_ratio, clutch.ramps_s(speed)
    per_s = 1.0 / (ratio * speed)
    opening = engaged_time(clutch, ins.pitch_mm, ratio=ratio, counted_mm_s=speed)
    busy = ready_time(clutch, servo, opening, counted_mm_s=speed)
    rest = max(at.carriers.pitch_mm / speed, busy) - opening - ramp_out
    return _Until(ins.pitch_mm, per_s, opening, rest, 0.5 * ramp_in, following_time(servo))


def no_cycle_because(at: FeederAtSpeed) -> str:
    """Return why there is no nominal cycle at the counted speed; empty if there is one."""
    cycles = _cycles_at(at)
    if cycles is None:
        return "the clutch would have to open before its ramp-in has ended"
    if _landing(cycles, at.feeder) >= cycles.period_s:
        return "an insert lands only in the next cycle"
    return ""


def left_at_opening(at: FeederAtSpeed) -> float | None:
    """Return the feed travel (mm) from the opening tick to rest, at the counted speed.

    Includes the remaining ramp-in and lag; None if the clutch would have to open before its ramp-in
    has ended.
    """
    cycles = _cycles_at(at)
    if cycles is None:
        return None
    opens_mm = cycles.feed.position(cycles.start_s + cycles.opening_s)
    return cycles.start_mm + at.inserts.pitch_mm - opens_mm


def mean_speed(at: FeederAtSpeed, travel_mm: float, lasts_s: float) -> float:
    """Return the feed's mean speed (mm/s) over a time, after a travel from rest.

    In the nominal cycle while its search goes on; at feed speed if there is none.
    """
    cycles = equal_cycles(counted_parts(at), opens=False)
    if cycles is None or lasts_s <= 0.0:
        return at.feed_mm_s
    begins_s = cycles.feed.time_at(cycles.start_mm + travel_mm)
    return (cycles.feed.position(begins_s + lasts_s) - cycles.start_mm - travel_mm) / lasts_s


@term
def way_until_slower(at: FeederAtSpeed, nose_mm_s: float) -> float:
    """Return the feed travel (mm) from the opening tick until the feed is slower than a speed."""
    cycles, feeder = _cycles_at(at), at.feeder
    if cycles is None:  # as if ramp-in and lag were over
        feed = from_rest(counted_parts(at))
        feed.open(
            _LONG_S + feeder.servo.command_delay_s,
            Ramp(feeder.clutch.ramp_out, feeder.clutch.travel_ramp),
        )
        low = _LONG_S
    else:
        feed, low = cycles.feed, cycles.start_s + cycles.opening_s
    opened = feed.position(low)
    if feed.speed(low) < nose_mm_s:
        return 0.0
    return feed.position(_when(feed, low, nose_mm_s, slower=True)) - opened


@term
def run_up_until(at: FeederAtSpeed, nose_mm_s: float) -> float:
    """Return how far (mm) the next insert runs from rest until the feed reaches a speed.

    Includes the remaining lag of the previous cycle; ``inf`` if it never reaches that speed.
    """
    cycles, delay = _cycles_at(at), at.feeder.servo.command_delay_s
    if cycles is None:
        feed, begins = from_rest(counted_parts(at), delay), 0.0
    else:  # the last engagement never ends
        feed, begins = cycles.feed, cycles.start_s + cycles.period_s
    at_rest = feed.command(begins)
    end = _when(feed, begins + delay, nose_mm_s, slower=False)
    return feed.position(end) - at_rest if end < math.inf else end


def _when(feed: FeedMotion, since_s: float, level_mm_s: float, *, slower: bool) -> float:
    """Return when (s) the feed reaches a speed from below, or from above; inf: never.

    On a belt of steady speed f' = f1 + 2·f2·s + K·C·e^(−K·s) on each piece of its motion,
    derived from its position (:class:`feedsim.motion.feed_piece.ClosedForm`).
    """
    sign, t = -1.0 if slower else 1.0, since_s
    while t < math.inf:
        feed.speed(t)  # creates the piece
        piece = next(piece for piece in reversed(feed.pieces) if piece.start_s <= t)
        shape, s = piece.shape, t - piece.start_s
        decay = 0.0
        if piece.decay_mm != 0.0:
            decay = shape.gain * piece.decay_mm * math.exp(-shape.gain * s)
        found = first_rise(
            (sign * (shape.f1 + 2.0 * shape.f2 * s - level_mm_s), sign * 2.0 * shape.f2, 0.0),
            decay=sign * decay,
            rate=shape.gain,
            end=piece.end_s - t,
        )
        if found < math.inf:
            return t + found
        t = piece.end_s
    return t


def landing_from_rest(at: FeederAtSpeed) -> tuple[float, float]:
    """Return when the very first insert lands (s from the drive's start), and the feed speed then.

    The speed is a fraction of that with the clutch closed.
    """
    feed = from_rest(counted_parts(at))
    lands_s = feed.time_at(at.feeder.run_up_mm + clipped_slip_mean(at.inserts))
    return lands_s, feed.speed(lands_s) / at.feed_mm_s


def run_up_time(at: FeederAtSpeed, run_up: float) -> float:
    """Return the time (s) of a feed from rest to the end of a run-up (mm, above 0)."""
    return from_rest(counted_parts(at)).time_at(run_up)


def _landing(cycles: Cycles, feeder: Feeder, *, further_mm: float = 0.0) -> float:
    """Return when the insert of the last cycle lands (s from its start)."""
    way = feeder.run_up_mm - further_mm
    return (
        cycles.feed.time_at(cycles.start_mm + way + clipped_slip_mean(feeder.inserts))
        - cycles.start_s
    )


@term
def _cycles_at(at: FeederAtSpeed) -> Cycles | None:
    if at.counted_mm_s == at.line_mm_s:
        return _line_cycles(at, cycles_before(at))
    return equal_cycles(counted_parts(at))


def counted_parts(at: FeederAtSpeed) -> Parts:
    """Return what the cycles depend on at the counted speed."""
    return parts_at(at, at.counted_mm_s)


def _line_cycles(at: FeederAtSpeed, before: int) -> Cycles | None:
    """Return the cycles at the line's speed, cached as by :func:`line_term`."""
    known, key = at.known_of_line, (_line_cycles, before)
    if key not in known:
        known[key] = equal_cycles(parts_at(at, at.line_mm_s, before=before))
    found: Cycles | None = known[key]
    return found
