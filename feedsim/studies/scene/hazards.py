"""The margin of each hazard in each feed cycle, and when it is decided (model, section 10)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.machine import Machine
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.trace import Trace
from feedsim.simulation.derived import demanded_acceleration

__all__ = ["HAZARDS", "CycleHazard", "cycle_hazards", "hazard_times"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_RESOLUTION = 1e-9  # of a ratio, or of the largest acceleration
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
    """One hazard over all rows of a feeder.

    Attributes
    ----------
    name : str
    margin : float64 array, shape (n,)
        Below 0 is the hazard; NaN where there is no margin.
    there : bool array, shape (n,)
        In which cycles it is.
    """

    name: str
    margin: Floats
    there: Bools


def cycle_hazards(
    records: RunRecords, *, machine: Machine, criteria: Criteria, feeder: int
) -> tuple[CycleHazard, ...]:
    """Return the seven hazards of one feeder, in the order of :data:`HAZARDS`.

    A position over its limit by no more than the resolution of the run is at its limit, as in
    :func:`feedsim.metrics.hazards.hazards`, whose counts these agree with.
    """
    rows, what = records.feeders[feeder], machine.feeders[feeder]
    finest, cycle = resolution_mm(records), rows.insert >= 0
    room = machine.carriers.length_mm - what.inserts.length_mm
    off = np.minimum(rows.offset_mm, room - rows.offset_mm) + criteria.overhang_mm
    return (
        _position("nose_strike", what.nose_limit_mm - rows.stage_position_mm, finest),
        _position("tail_held", rows.tail_mm - what.grip_end_mm, finest),
        _speed_mismatch(rows, criteria.speed_mismatch),
        _position("off_carrier", off, finest),
        _counted("stray_insert", (rows.strays > 0) & cycle),
        _counted("double", (rows.double == 1) & cycle),
        _drive_overload(rows, what.servo.max_acceleration_mm_s2),
    )


def _position(name: str, margin: Floats, finest: float) -> CycleHazard:
    return CycleHazard(name, margin, margin < -finest)


def _counted(name: str, there: Bools) -> CycleHazard:
    return CycleHazard(name, np.full(len(there), math.nan), there)


def _speed_mismatch(rows: FeederRecords, limit: float) -> CycleHazard:
    nose, belt = rows.nose_speed_mm_s, rows.belt_speed_mm_s
    landed = ~np.isnan(nose)
    moving = landed & (belt > _REST_MM_S)
    u = np.full(len(nose), math.nan)
    u[moving] = np.abs(nose[moving] / belt[moving] - 1.0)
    there = (landed & ~moving) | (u > limit + _RESOLUTION)
    return CycleHazard("speed_mismatch", 100.0 * (limit - u), there)


def _drive_overload(rows: FeederRecords, largest_mm_s2: float) -> CycleHazard:
    if math.isinf(largest_mm_s2):
        return _counted("drive_overload", np.zeros(len(rows.insert), dtype=np.bool_))
    margin = largest_mm_s2 - rows.demanded_acceleration_mm_s2
    return CycleHazard("drive_overload", margin, margin < -_RESOLUTION * largest_mm_s2)


def hazard_times(
    records: RunRecords, trace: Trace, *, machine: Machine, feeder: int
) -> dict[str, Floats]:
    """Return when each hazard of each cycle was decided (s), by name; NaN where it was not.

    A stray as the first one of the cycle goes by; an overload at the start of the ramp that
    asks too much, of the ramp-in if both do.
    """
    rows = records.feeders[feeder]
    return {
        "nose_strike": rows.engage_time_s,
        "tail_held": rows.opening_time_s,
        "speed_mismatch": rows.placement_time_s,
        "off_carrier": rows.placement_time_s,
        "stray_insert": _stray_times(rows, trace, feeder),
        "double": rows.engage_time_s,
        "drive_overload": _overload_times(rows, trace, machine=machine, feeder=feeder),
    }


def _stray_times(rows: FeederRecords, trace: Trace, feeder: int) -> Floats:
    times, part = rows.engage_time_s.copy(), f"feeder.{feeder}.insert_eye"
    for event in reversed(trace.events):
        if event.event == "stray" and event.part == part and event.carrier >= 0:
            times[event.carrier] = event.time_s
    return times


def _overload_times(rows: FeederRecords, trace: Trace, *, machine: Machine, feeder: int) -> Floats:
    what = machine.feeders[feeder]
    largest, delay = what.servo.max_acceleration_mm_s2, what.servo.command_delay_s
    closes, opens = rows.engage_time_s, rows.opening_time_s
    never = np.full(len(closes), math.nan)
    ramp_in = demanded_acceleration(closes, never, what, belt=trace.belt, encoder=machine.encoder)
    at_ramp_in = (ramp_in > largest * (1.0 + _RESOLUTION)) | np.isnan(opens)
    return np.where(at_ramp_in, closes, opens) + delay
