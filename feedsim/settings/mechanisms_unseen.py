"""Inserts that go past their eye unseen, in closed form."""

from __future__ import annotations

import math
from functools import lru_cache

from feedsim.criteria import Criteria
from feedsim.machine import Feeder, Machine
from feedsim.settings.distribution import Distribution, clipped_at
from feedsim.settings.levels import filters, gap_lasts, level_lasts
from feedsim.settings.predict import cycle_time
from feedsim.settings.recorded import share_closer
from feedsim.settings.spreads import gaps, slips, stage_spread

__all__ = ["again_unseen", "insert_gap", "insert_short", "searched_on", "strays", "unseen"]


def insert_gap(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that merge with the one before at the insert eye, and stray.

    Where the tail of a staged insert still covers the eye, the insert falls back by its slip
    before the tail has passed, and only the gap less that is left. Where the tail has passed
    before the insert rests, the output has until the next nose comes, a cycle after the one
    before: a carrier pitch, less the way of an insert's length.
    """
    counted = speed / (1.0 + machine.encoder.scale_error)
    feed = feeder.settings.speed_ratio * counted
    ins, eye = feeder.inserts, feeder.eye
    covered = stage_spread(machine, feeder, speed=speed).share_below(ins.length_mm)
    merging = _merging(machine, feeder, speed, slips(feeder).times(-1.0)) if covered else 0.0
    if covered == 1.0:
        return merging
    off_s = eye.off_response_s
    if filters(eye):
        off_s += gap_lasts(eye, machine.controller).average
    passing = speed * (off_s + ins.length_mm / feed)
    return covered * merging + (1.0 - covered) * _sooner(machine, feeder, speed, passing)


def _merging(machine: Machine, feeder: Feeder, speed: float, shift: Distribution) -> float:
    """Return the share of gaps, so much longer, that end before the output drops."""
    eye = feeder.eye
    if eye.off_response_s == 0.0 and eye.edge_sd_mm == 0.0 and not filters(eye):
        return 0.0
    gap = gaps(feeder).plus(shift)
    feed = feeder.settings.speed_ratio * speed / (1.0 + machine.encoder.scale_error)
    seen = gap.plus(Distribution(normal_sd=eye.edge_sd_mm))
    if filters(eye):
        seen = seen.plus(gap_lasts(eye, machine.controller).times(-feed))
    return seen.share_below(feed * eye.off_response_s)


def again_unseen(machine: Machine, feeder: Feeder, speed: float) -> float:
    """Return the share of inserts unseen behind one that was: its gap is free of any slip."""
    merged = _merging(machine, feeder, speed, Distribution())
    short = _short(machine, feeder, speed)
    return 1.0 - (1.0 - feeder.eye.missed) * (1.0 - merged) * (1.0 - short)


def insert_short(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that have passed their eye before filter or scan lets them be seen.

    The clutch is closed until they are, so they pass at feed speed.
    """
    return _short(machine, feeder, speed)


def _short(machine: Machine, feeder: Feeder, speed: float) -> float:
    ins, eye = feeder.inserts, feeder.eye
    if not filters(eye):
        return 0.0
    feed = feeder.settings.speed_ratio * speed / (1.0 + machine.encoder.scale_error)
    lasts = Distribution(
        ins.length_mm + feed * (eye.off_response_s - eye.response_s),
        eye.edge_sd_mm,
        (feed * eye.response_jitter_s,),
    )
    return lasts.plus(level_lasts(eye, machine.controller).times(-feed)).share_below(0.0)


def searched_on(
    machine: Machine, feeder: Feeder, speed: float, allowed: Criteria
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return how likely a search goes on behind its first insert, and behind each further one.

    By a misfeed, behind which the gap is long and nothing merges; and by a stray, behind which the
    next one may merge again.
    """
    misfeed = feeder.inserts.misfeed
    stray = (1.0 - misfeed) * strays(machine, feeder, speed, allowed)
    behind = 1.0 - (1.0 - misfeed) * (1.0 - again_unseen(machine, feeder, speed))
    return (
        (misfeed, 1.0 - (1.0 - misfeed) * (1.0 - feeder.eye.missed)),
        (stray, behind),
    )


def _sooner(machine: Machine, feeder: Feeder, speed: float, travel: float) -> float:
    """Return the share of cycles that follow the one before within a belt travel (mm)."""
    c = machine.carriers
    if speed * cycle_time(machine, feeder, speed=speed) >= travel:
        return 0.0
    shortest = c.length_mm + c.min_gap_mm
    if c.record_mm:
        return share_closer(c, travel)
    if c.random:
        return -math.expm1(-max(0.0, travel - shortest) / (c.pitch_mm - shortest))
    return clipped_at(shortest, mean=c.pitch_mm, sd=c.pitch_sd_mm).share_below(travel)


@lru_cache(maxsize=8)
def strays(machine: Machine, feeder: Feeder, speed: float, allowed: Criteria) -> float:
    """Share of inserts that go past unseen: missed, merged, too short, or there too early."""
    merged = insert_gap(machine, feeder, speed, allowed)
    short = _short(machine, feeder, speed)
    return 1.0 - (1.0 - unseen(machine, feeder, speed)) * (1.0 - merged) * (1.0 - short)


def unseen(machine: Machine, feeder: Feeder, speed: float) -> float:
    """Return the share of inserts that their eye misses, or that pass it before the search."""
    ins = feeder.inserts
    staged = stage_spread(machine, feeder, speed=speed)
    gap = gaps(feeder)
    edge = Distribution(-ins.length_mm, feeder.eye.edge_sd_mm)
    next_nose = staged.plus(gap.times(-1.0)).plus(edge)
    early = 1.0 - next_nose.share_below(0.0)
    return 1.0 - (1.0 - feeder.eye.missed) * (1.0 - early)
