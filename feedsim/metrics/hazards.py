"""Hazards by feed cycle, and how near the other cycles came (model, section 10)."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, fields

import numpy as np

from feedsim.arrays import Bools
from feedsim.criteria import Criteria
from feedsim.machine import SAME_RATIO, Feeder, Inserts
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.cycle_hazards import HAZARDS, CycleHazard, HazardName, cycle_hazards, mismatch
from feedsim.metrics.rows import Rows, combined, known
from feedsim.metrics.share import Share, share_of
from feedsim.metrics.spread import Spread, spread
from feedsim.probability.normal import share_below_zero
from feedsim.records.columns import FeederRecords


@dataclass(frozen=True, slots=True)
class HazardShare(Share):
    """One hazard: the share of feed cycles in which it happened, and its margin.

    ``margin_mean``, ``margin_sd``: of the margins that exist, in ``margin_unit``; below 0 is the
    hazard. None without a margin (the sd: with fewer than two), or if one is infinite.
    ``margin_unit``: ``"mm"``, ``"%"`` or ``"mm/s^2"``; None for a hazard that is only counted.
    ``tail_probability``: probability of a margin below 0 if margins are normal with this mean and
    sd: it estimates the share of a hazard too rare to have been seen.
    """

    margin_mean: float | None
    margin_sd: float | None
    margin_unit: str | None
    tail_probability: float | None


@dataclass(frozen=True, slots=True)
class Hazards:
    """The hazards of one feeder."""

    nose_strike: HazardShare
    tail_held: HazardShare
    speed_mismatch: HazardShare
    off_carrier: HazardShare
    stray_insert: HazardShare
    double: HazardShare
    drive_overload: HazardShare

    @property
    def by_name(self) -> dict[HazardName, HazardShare]:
        """Each under its name."""
        return {name: getattr(self, name) for name in HAZARDS}


def hazards(
    feeder: FeederRecords,
    rows: Rows,
    *,
    machine: Feeder,
    room_mm: float,
    criteria: Criteria,
    resolution_mm: float,
    course: Course = ONE_RUN,
) -> tuple[Hazards, Share]:
    """Return the hazards of one feeder, and its jam risk: the share of cycles with at least one.

    ``rows``: those with a feed cycle; shares are of these. ``resolution_mm``: as in
    :func:`feedsim.metrics.cycle_hazards.cycle_hazards`. ``course``: how the rows of the
    records are divided.
    """
    among = course.among(rows)
    # one at a time, nothing kept: a column of a long run takes a large part of the memory
    usual = _usual_cycles(feeder, rows, machine.inserts)
    u = spread(mismatch(feeder, rows), resolution=SAME_RATIO)
    offset = spread(feeder.offset_mm[rows], resolution=resolution_mm)
    largest = machine.servo.max_acceleration_mm_s2
    figures: dict[str, HazardShare] = {}

    def told(hazard: CycleHazard) -> Bools:
        share, name = share_of(hazard.there, among), hazard.name
        match name:
            case "nose_strike":
                figures[name] = _position(hazard, share, resolution_mm)
            case "tail_held":
                figures[name] = _position(hazard, share, resolution_mm, usual=usual)
            case "speed_mismatch":
                figures[name] = _speed_mismatch(hazard, share, u=u, limit=criteria.speed_mismatch)
            case "off_carrier":
                figures[name] = _off_carrier(
                    hazard,
                    share,
                    offset=offset,
                    room_mm=room_mm,
                    overhang_mm=criteria.overhang_mm,
                    resolution=resolution_mm,
                )
            case "drive_overload":
                figures[name] = _drive_overload(hazard, share, largest_mm_s2=largest)
            case _:
                figures[name] = _counted(share)
        return hazard.there

    several = cycle_hazards(
        feeder,
        rows,
        machine=machine,
        room_mm=room_mm,
        criteria=criteria,
        resolution_mm=resolution_mm,
    )
    risk: Bools = functools.reduce(np.logical_or, map(told, several))
    return Hazards(**figures), share_of(risk, among)


def normal_below_zero(margin: Spread, *, resolution: float = 0.0) -> float | None:
    """Return the probability that a normal margin is below 0.

    Φ(−mean/sd), by definition. If sd is 0: 1 if the mean is below 0 by more than ``resolution``,
    else 0. None where mean or sd is None.
    """
    if margin.mean is None or margin.sd is None:
        return None
    if margin.sd == 0.0:
        return 1.0 if margin.mean < -resolution else 0.0
    return share_below_zero(margin.mean, margin.sd)


def _usual_cycles(feeder: FeederRecords, rows: Rows, inserts: Inserts) -> Bools:
    """Return which cycles placed a single insert and staged the next one.

    After a misfeed or a stray the clutch opens a whole pitch late (the tail is then more than half
    a pitch beyond the median), and a double's tail lies elsewhere: neither fits the normal curve
    of the other margins.
    """
    usual: Bools = feeder.double[rows] == 0
    tails = known(rows, feeder.tail_mm)
    if len(tails):
        middle = np.quantile(tails, 0.5, method="nearest", overwrite_input=True)
        del tails
        most = middle + 0.5 * inserts.pitch_mm
        usual &= combined(rows, lambda tail: ~(tail > most), feeder.tail_mm)
    return usual


def _position(
    hazard: CycleHazard, share: Share, resolution: float, *, usual: Bools | None = None
) -> HazardShare:
    """Count positions past a limit; mean, sd and tail are those of the ``usual`` cycles."""
    if usual is not None:
        hazard.margin[~usual] = math.nan  # in place: large in a long run
    s = spread(hazard.margin, resolution=resolution)
    tail = normal_below_zero(s, resolution=resolution)
    return _with_margin(share, s, "mm", tail=tail)


def _speed_mismatch(hazard: CycleHazard, share: Share, *, u: Spread, limit: float) -> HazardShare:
    """Margin limit − |u|, u = nose speed/belt speed − 1; tail on both sides (MODEL.md, 10)."""
    tail = _either(u, above=limit, below=-limit, resolution=SAME_RATIO)
    margin = spread(hazard.margin, resolution=100.0 * SAME_RATIO)
    return _with_margin(share, margin, "%", tail=tail)


def _off_carrier(
    hazard: CycleHazard,
    share: Share,
    *,
    offset: Spread,
    room_mm: float,
    overhang_mm: float,
    resolution: float,
) -> HazardShare:
    """Tail at both ends of the carrier, an overhang beyond each."""
    tail = _either(
        offset,
        above=room_mm + overhang_mm,
        below=-overhang_mm,
        resolution=resolution,
    )
    s = spread(hazard.margin, resolution=resolution)
    return _with_margin(share, s, "mm", tail=tail)


def _drive_overload(hazard: CycleHazard, share: Share, *, largest_mm_s2: float) -> HazardShare:
    """Margin largest − demanded; a drive without a limit has none, and no tail."""
    n, unit = len(hazard.there), "mm/s^2"
    if math.isinf(largest_mm_s2):
        return _with_margin(share, Spread(n, None, None), unit, tail=0.0 if n else None)
    resolution = SAME_RATIO * largest_mm_s2
    s = spread(hazard.margin, resolution=resolution)
    tail = normal_below_zero(s, resolution=resolution)
    if s.n and s.n == int(np.count_nonzero(np.isneginf(hazard.margin))):
        tail = 1.0
    return _with_margin(share, s, unit, tail=tail)


def _either(value: Spread, *, above: float, below: float, resolution: float) -> float | None:
    """Return the normal probability of a value outside two limits, at most 1."""
    if value.mean is None:
        return None
    up = Spread(value.n, above - value.mean, value.sd)
    down = Spread(value.n, value.mean - below, value.sd)
    ends = [normal_below_zero(end, resolution=resolution) for end in (up, down)]
    known = [p for p in ends if p is not None]
    return min(1.0, sum(known)) if known else None


def _counted(share: Share) -> HazardShare:
    return _with_margin(share, Spread(0, None, None), None, tail=None)


def _with_margin(
    share: Share, margin: Spread, unit: str | None, *, tail: float | None
) -> HazardShare:
    return HazardShare(
        **{f.name: getattr(share, f.name) for f in fields(Share)},
        margin_mean=margin.mean,
        margin_sd=margin.sd,
        margin_unit=unit,
        tail_probability=tail,
    )
