"""Each hazard of each feed cycle: its margin, and whether it occurs (model, section 10)."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from operator import attrgetter
from typing import Literal

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.criteria import Criteria
from feedsim.machine import SAME_RATIO, Feeder
from feedsim.metrics.rows import Rows, combined, number_of
from feedsim.records.columns import FeederRecords
from feedsim.records.on_carrier import AT_REST_MM_S, inside_mm

HazardName = Literal[
    "nose_strike",
    "tail_held",
    "speed_mismatch",
    "off_carrier",
    "stray_insert",
    "double",
    "drive_overload",
]
HAZARDS: dict[HazardName, str | None] = {
    "nose_strike": "mm",
    "tail_held": "mm",
    "speed_mismatch": "%",
    "off_carrier": "mm",
    "stray_insert": None,
    "double": None,
    "drive_overload": "mm/s^2",
}
"""Names in the order of the model, with the unit of the margin; None where there is none."""


@dataclass(frozen=True, slots=True)
class CycleHazard:
    """One hazard over some rows of a feeder, shape (n,).

    ``margin``: in the unit of :data:`HAZARDS`; below 0 is the hazard; NaN where there is none.
    ``there``: rows in which it occurs.
    """

    name: HazardName
    margin: Floats
    there: Bools


def cycle_hazards(
    feeder: FeederRecords,
    rows: Rows,
    *,
    machine: Feeder,
    room_mm: float,
    criteria: Criteria,
    resolution_mm: float,
) -> Iterator[CycleHazard]:
    """Yield the hazards of one feeder, in the order of :data:`HAZARDS`.

    One at a time: those of a long run do not fit in memory together.

    Parameters
    ----------
    rows : Rows
        The n rows to check; one without a feed cycle has no hazard.
    criteria : Criteria
        For the limits of speed mismatch and overhang.
    resolution_mm : float
        A position beyond its limit by no more than this counts as at the limit, which is no hazard;
        likewise ``SAME_RATIO`` of a ratio or of the largest acceleration.
    """
    overhang_mm, largest = criteria.overhang_mm, machine.servo.max_acceleration_mm_s2

    def off_carrier(offset_mm: Floats) -> Floats:
        return inside_mm(offset_mm, room_mm=room_mm) + overhang_mm

    def position(name: HazardName) -> CycleHazard:
        match name:
            case "nose_strike":
                limit = machine.nose_limit_mm
                margin = combined(rows, lambda stage: limit - stage, feeder.stage_position_mm)
            case "tail_held":
                end = machine.grip_end_mm
                margin = combined(rows, lambda tail: tail - end, feeder.tail_mm)
            case _:
                margin = combined(rows, off_carrier, feeder.offset_mm)
        return CycleHazard(name, margin, margin < -resolution_mm)

    others: dict[HazardName, Callable[[HazardName], CycleHazard]] = {
        "speed_mismatch": lambda _: _speed_mismatch(feeder, rows, criteria.speed_mismatch),
        "stray_insert": lambda name: _counted(name, feeder.strays[rows] > 0),
        "double": lambda name: _counted(name, feeder.double[rows] == 1),
        "drive_overload": lambda _: _overload(feeder, rows, largest),
    }
    cycle = combined(rows, lambda insert: insert >= 0, feeder.insert)
    for name in HAZARDS:
        yield _in_cycles(others.get(name, position)(name), cycle)


def _in_cycles(hazard: CycleHazard, cycle: Bools) -> CycleHazard:
    np.logical_and(hazard.there, cycle, out=hazard.there)
    return hazard


def any_of(hazards: Iterable[CycleHazard]) -> Bools:
    """Return which rows have at least one hazard, shape (n,)."""
    return functools.reduce(np.logical_or, map(attrgetter("there"), hazards))


def mismatch(feeder: FeederRecords, rows: Rows) -> Floats:
    """Return nose speed/belt speed − 1 at each landing on a belt that moves, else NaN."""
    return combined(rows, _mismatch, feeder.nose_speed_mm_s, feeder.belt_speed_mm_s)


def _mismatch(nose: Floats, belt: Floats) -> Floats:
    u = np.full(len(nose), math.nan)
    np.divide(nose, belt, out=u, where=~np.isnan(nose) & (belt > AT_REST_MM_S))
    u -= 1.0
    return u


def _speed_mismatch(feeder: FeederRecords, rows: Rows, limit: float) -> CycleHazard:
    u = mismatch(feeder, rows)
    np.abs(u, out=u)
    # a landing on a belt at rest is a hazard without a margin
    landed = combined(rows, lambda nose: ~np.isnan(nose), feeder.nose_speed_mm_s)
    there = (landed & np.isnan(u)) | (u > limit + SAME_RATIO)
    np.subtract(limit, u, out=u)
    u *= 100.0
    return CycleHazard("speed_mismatch", u, there)


def _counted(name: HazardName, there: Bools) -> CycleHazard:
    return CycleHazard(name, np.broadcast_to(math.nan, len(there)), there)


def _overload(feeder: FeederRecords, rows: Rows, largest_mm_s2: float) -> CycleHazard:
    if math.isinf(largest_mm_s2):
        return _counted("drive_overload", np.zeros(number_of(rows), dtype=np.bool_))
    margin = combined(rows, lambda a: largest_mm_s2 - a, feeder.demanded_acceleration_mm_s2)
    return CycleHazard("drive_overload", margin, margin < -SAME_RATIO * largest_mm_s2)
