"""Availability and what follows from it, against a worked example.

The example in the terms of ISO 22400-2 (key performance indicators for manufacturing operations
management): planned busy time 480 min, production time 420 min, planned run time 1 min an item,
400 items made, 380 of them good. Availability 420/480 = 0.875, effectiveness 1·400/420 =
0.952381, quality ratio 380/400 = 0.95, their product (OEE index) 0.791667.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from feedsim.metrics.results import summarise
from feedsim.metrics.stops import LineStops, availability, line_stops
from feedsim.records.columns import CarrierRecords, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Rule, Stop
from tests.machines import machine
from tests.unit.records_builder import CRITERIA, feeder, missed, placed

MIN = 60.0
MADE, GOOD = 400, 380


def stop(begin_s: float, end_s: float, rule: Rule = Rule.JAM) -> Stop:
    return Stop(rule, "", -1, -1, begin_s, begin_s + 1.0, end_s, ((),), ())


def shift() -> RunRecords:
    """Return a shift: the last of 400 carriers comes at 480 min; 20 and 40 min of stops."""
    rows = [placed()] * GOOD + [missed(Outcome.NOT_STAGED)] * (MADE - GOOD)
    return RunRecords(
        warm_up=0,
        start_time_s=0.0,
        carriers=CarrierRecords(
            leading_edge_mm=np.linspace(1.0, 400.0, MADE),
            eye_time_s=np.linspace(MIN, 480.0 * MIN, MADE),
        ),
        feeders=(feeder(rows),),
        stops=(stop(100.0 * MIN, 120.0 * MIN), stop(200.0 * MIN, 240.0 * MIN, Rule.NO_INSERT)),
    )


def test_the_worked_example() -> None:
    stops = line_stops(shift())
    assert stops.uptime_s == pytest.approx(420.0 * MIN)
    assert stops.downtime_s == pytest.approx(60.0 * MIN)
    assert stops.availability == pytest.approx(0.875, abs=5e-7)
    effectiveness = 1.0 * MIN * MADE / stops.uptime_s
    assert effectiveness == pytest.approx(0.952381, abs=5e-7)
    assert stops.availability * effectiveness * GOOD / MADE == pytest.approx(0.791667, abs=5e-7)
    assert stops.by_rule == {"jam": 1, "no_insert": 1}
    assert stops.downtime_by_rule_s == pytest.approx({"jam": 1200.0, "no_insert": 2400.0})


def test_good_products_an_hour_count_the_downtime() -> None:
    line = machine()
    from feedsim.machine import Supervision

    results = summarise(
        shift(),
        replace(line, supervision=Supervision()),
        criteria=CRITERIA,
        names=["one"],
        title="a shift",
        seed=1,
    )
    assert isinstance(results.stops, LineStops)
    assert results.complete.per_hour == pytest.approx(GOOD / 8.0)  # 380 in eight hours


def test_availability_without_any_time() -> None:
    assert availability(0.0, 0.0) == 1.0
    assert availability(0.0, 5.0) == 0.0
