"""The hazards of each feed cycle, and when each is decided."""

from __future__ import annotations

import math

import numpy as np

from feedsim.arrays import Floats
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.cycle_hazards import SAME_RATIO, CycleHazard, cycle_hazards
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.trace import Trace
from feedsim.simulation.derived import demanded_acceleration


def hazards_of_feeder(
    records: RunRecords, *, machine: Machine, criteria: Criteria, feeder: int
) -> tuple[CycleHazard, ...]:
    """Return the seven hazards of one feeder over all rows, in the order of the model."""
    rows = records.feeders[feeder]
    found = cycle_hazards(
        rows,
        slice(0, len(rows.insert)),
        machine=machine.feeders[feeder],
        carrier_length_mm=machine.carriers.length_mm,
        criteria=criteria,
        resolution_mm=resolution_mm(records),
    )
    return tuple(found)


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
    which = machine.feeders[feeder]
    largest, delay = (
        which.servo.max_acceleration_mm_s2,
        which.servo.command_delay_s,
    )
    closes, opens = rows.engage_time_s, rows.opening_time_s
    never = np.full(len(closes), math.nan)
    ramp_in = demanded_acceleration(closes, never, which, belt=trace.belt, encoder=machine.encoder)
    at_ramp_in = (ramp_in > largest * (1.0 + SAME_RATIO)) | np.isnan(opens)
    return np.where(at_ramp_in, closes, opens) + delay
