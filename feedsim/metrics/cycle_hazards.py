"""Each hazard of each feed cycle: its margin, and whether it is there (model, section 10)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.criteria import Criteria
from feedsim.machine import Feeder
from feedsim.metrics.rows import Rows
from feedsim.records.columns import FeederRecords

__all__ = ["HAZARDS", "SAME_RATIO", "CycleHazard", "any_of", "cycle_hazards", "mismatch"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAME_RATIO = 1e-9
"""Two ratios (or accelerations, relative to their limit) closer than this count as one."""
_REST_MM_S = 1e-9

HAZARDS = {
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
    """One hazard over some rows of a feeder.

    Attributes
    ----------
    name : str
    margin : float64 array, shape (n,)
        In the unit of :data:`HAZARDS`; below 0 is the hazard; NaN where there is no margin.
    there : bool array, shape (n,)
        In which rows it is.
    """

    name: str
    margin: Floats
    there: Bools


def cycle_hazards(
    feeder: FeederRecords,
    rows: Rows,
    *,
    machine: Feeder,
    carrier_length_mm: float,
    criteria: Criteria,
    resolution_mm: float,
) -> dict[str, CycleHazard]:
    """Return the hazards of one feeder by name, in the order of :data:`HAZARDS`.

    Parameters
    ----------
    feeder : FeederRecords
        What it did.
    rows : Rows
        Which rows are looked at, n of them; one without a feed cycle has no hazard.
    machine : Feeder
        What it is.
    carrier_length_mm : float
        Leading to trailing edge.
    criteria : Criteria
        For the limits of speed mismatch and overhang.
    resolution_mm : float
        A position over its limit by no more than this stands at the limit, which is no
        hazard; likewise ``SAME_RATIO`` of a ratio or of the largest acceleration.
    """
    offset = feeder.offset_mm[rows]
    room_mm = carrier_length_mm - machine.inserts.length_mm
    margins = {
        "nose_strike": machine.nose_limit_mm - feeder.stage_position_mm[rows],
        "tail_held": feeder.tail_mm[rows] - machine.grip_end_mm,
        "off_carrier": np.minimum(offset, room_mm - offset) + criteria.overhang_mm,
    }
    found = {name: CycleHazard(name, m, m < -resolution_mm) for name, m in margins.items()}
    found["speed_mismatch"] = _speed_mismatch(feeder, rows, criteria.speed_mismatch)
    found["stray_insert"] = _counted("stray_insert", feeder.strays[rows] > 0)
    found["double"] = _counted("double", feeder.double[rows] == 1)
    largest = machine.servo.max_acceleration_mm_s2
    found["drive_overload"] = _overload(feeder.demanded_acceleration_mm_s2[rows], largest)
    cycle = feeder.insert[rows] >= 0
    return {
        name: CycleHazard(name, found[name].margin, found[name].there & cycle) for name in HAZARDS
    }


def any_of(hazards: dict[str, CycleHazard]) -> Bools:
    """Tell in which rows there is at least one hazard, shape (n,)."""
    every: Bools = np.logical_or.reduce([hazard.there for hazard in hazards.values()])
    return every


def mismatch(feeder: FeederRecords, rows: Rows) -> Floats:
    """Return nose speed/belt speed − 1 at each landing on a belt that moves, else NaN."""
    nose, belt = feeder.nose_speed_mm_s[rows], feeder.belt_speed_mm_s[rows]
    moving = ~np.isnan(nose) & (belt > _REST_MM_S)
    u = np.full(len(nose), math.nan)
    u[moving] = nose[moving] / belt[moving] - 1.0
    return u


def _speed_mismatch(feeder: FeederRecords, rows: Rows, limit: float) -> CycleHazard:
    """Take a landing on a belt at rest as a hazard without a margin."""
    u = np.abs(mismatch(feeder, rows))
    at_rest = ~np.isnan(feeder.nose_speed_mm_s[rows]) & np.isnan(u)
    there = at_rest | (u > limit + SAME_RATIO)
    return CycleHazard("speed_mismatch", 100.0 * (limit - u), there)


def _counted(name: str, there: Bools) -> CycleHazard:
    return CycleHazard(name, np.full(len(there), math.nan), there)


def _overload(demanded: Floats, largest_mm_s2: float) -> CycleHazard:
    """Never find an overload of a drive without a limit."""
    if math.isinf(largest_mm_s2):
        return _counted("drive_overload", np.zeros(len(demanded), dtype=np.bool_))
    margin = largest_mm_s2 - demanded
    return CycleHazard("drive_overload", margin, margin < -SAME_RATIO * largest_mm_s2)
