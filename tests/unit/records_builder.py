"""Records written by hand: rows as dicts, a small machine, criteria."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from feedsim.criteria import Criteria
from feedsim.machine import (
    Encoder,
    Eye,
    Feeder,
    Line,
    Machine,
    Servo,
)
from feedsim.metrics.results import summarise
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.outcome import Outcome
from tests import machines

NO = float("nan")
NO_BOOKS = InsertBooks(drawn=0, placed=0, strays=0, second_halves=0, rejected=0, in_feeder=0)

_INTEGERS = {
    "outcome": np.int8,
    "insert": np.int64,
    "strays": np.int8,
    "double": np.int8,
    "called_double": np.int8,
    "late_engage": np.int8,
    "late_opening": np.int8,
}

CRITERIA = Criteria(
    placement_tolerance_mm=1.5,
    within_tolerance=0.997,
    missed=0.001,
    jam_risk=0.001,
    speed_mismatch=0.05,
    overhang_mm=0.0,
)


def placed(**changes: Any) -> dict[str, Any]:
    """Return a row without any fault: margins 35 mm, 5 mm, 5 %, 20 mm and 100 m/s²."""
    row = {
        "outcome": Outcome.PLACED,
        "insert": 0,
        "engage_time_s": 1.0,
        "stage_position_mm": 60.0,
        "placement_time_s": 1.08,
        "offset_mm": 20.0,
        "placement_error_mm": 0.0,
        "nose_speed_mm_s": 1000.0,
        "belt_speed_mm_s": 1000.0,
        "opening_time_s": 1.15,
        "tail_mm": 105.0,
        "ready_time_s": 1.17,
        "demanded_acceleration_mm_s2": 50_000.0,
        "strays": 0,
        "double": 0,
        "called_double": 0,
        "late_engage": 0,
        "late_opening": 0,
        "missed_time_s": NO,
    }
    return row | changes


def missed(outcome: Outcome, **changes: Any) -> dict[str, Any]:
    """Return the row of a carrier for which no cycle began."""
    row = {name: 0 if name in _INTEGERS else NO for name in placed()}
    return row | {"outcome": outcome, "insert": -1} | changes


def feeder(rows: list[dict[str, Any]], books: InsertBooks = NO_BOOKS) -> FeederRecords:
    """Return the records of one feeder from its rows."""
    names = [f.name for f in fields(FeederRecords) if f.name != "books"]
    columns: dict[str, Any] = {
        name: np.array([row[name] for row in rows], dtype=_INTEGERS.get(name, np.float64))
        for name in names
    }
    return FeederRecords(**columns, books=books)


def run(*feeders: FeederRecords, warm_up: int = 0, start_time_s: float = 0.0) -> RunRecords:
    """Return a run with a carrier every 260 mm and every 0.26 s from the belt's start."""
    number = np.arange(1.0, len(feeders[0].outcome) + 1.0)
    return RunRecords(
        warm_up=warm_up,
        start_time_s=start_time_s,
        carriers=CarrierRecords(
            leading_edge_mm=260.0 * number, eye_time_s=start_time_s + 0.26 * number
        ),
        feeders=feeders,
    )


def one_feeder(max_acceleration_mm_s2: float = 150_000.0) -> Feeder:
    """Return a feeder of nose limit 95 mm, grip end 100 mm and inserts of 85.6 mm."""
    return machines.feeder(
        eye=Eye(),
        servo=Servo(max_acceleration_mm_s2=max_acceleration_mm_s2),
        settings=machines.typed(
            engage_distance_mm=360.0,
            engage_lead_s=0.012,
            disengage_distance_mm=60.0,
            disengage_lead_s=0.0125,
        ),
    )


def machine(*feeders: Feeder, count_mm: float = 0.05) -> Machine:
    """Return a line of 1000 mm/s with carriers of 210 mm; one plain feeder if none is given."""
    return machines.machine(
        *(feeders or (one_feeder(),)),
        line=Line(speed_mm_s=1000.0),
        encoder=Encoder(count_mm=count_mm),
        carrier_eye=Eye(),
    )


def summary(rows: list[dict[str, Any]], *, criteria: Criteria = CRITERIA, warm_up: int = 0) -> Any:
    """Return the results of a run of one plain feeder from its rows."""
    return summarise(
        run(feeder(rows), warm_up=warm_up),
        machine(),
        criteria=criteria,
        names=("card feeder",),
        title="by hand",
        seed=7,
        version="0.1.0",
    )
