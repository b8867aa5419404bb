"""A supervised line as a whole: idle it is a plain line, and with everything it adds up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from feedsim.draws.line_draws import RunDraws
from feedsim.machine import (
    Adjust,
    Clearing,
    FaultKind,
    Feeder,
    Hazard,
    Machine,
    PlannedFault,
    Setting,
    StopRules,
    Supervision,
    When,
)
from feedsim.records.stop import Rule
from feedsim.simulation.line import LineRun, simulate_traced
from feedsim.simulation.recorder import Tracer
from tests.machines import as_bytes
from tests.random_machines import filtered_machine, random_machine
from tests.random_scenarios import pick
from tests.unit.test_stops_everywhere import AFTER, BEFORE, Trips, faults

Rng = np.random.Generator


@pytest.mark.parametrize("kind", [random_machine, filtered_machine])
@pytest.mark.parametrize("seed", range(30))
def test_supervision_that_never_trips_changes_nothing(
    seed: int, kind: Callable[[int], Machine]
) -> None:
    line = kind(seed)
    idle = replace(line, supervision=Supervision())
    plain, trace = simulate_traced(line, RunDraws(line, seed), carriers=40)
    watched, watched_trace = simulate_traced(idle, RunDraws(idle, seed), carriers=40)
    assert as_bytes(watched) == as_bytes(plain)
    assert repr(watched_trace.events) == repr(trace.events)


def when(rng: Rng) -> When:
    if rng.random() < 0.6:
        return When(float(rng.uniform(0.0, 20.0)))
    return When(carrier=int(rng.integers(0, 60)))


def rules(rng: Rng) -> StopRules:
    clearings = (Clearing(0.0), Clearing(5.0), Clearing(3.0, cv=0.5))
    return StopRules(
        no_insert=bool(rng.random() < 0.7),
        insert_eye_blocked_mm=pick(rng, math.inf, 200.0, 60.0),  # type: ignore[arg-type]
        carrier_eye_blocked_mm=pick(rng, math.inf, 300.0, 100.0),  # type: ignore[arg-type]
        carrier_eye_silent_mm=pick(rng, math.inf, 3000.0, 700.0),  # type: ignore[arg-type]
        emergency_deceleration_mm_s2=pick(rng, None, 1000.0, 4000.0),  # type: ignore[arg-type]
        misses_in_a_row=pick(rng, 0, 0, 2, 5),  # type: ignore[arg-type]
        double_found=bool(rng.random() < 0.3),
        drive_overload=bool(rng.random() < 0.2),
        stop_deceleration_mm_s2=pick(rng, 500.0, 2000.0, 1e9),  # type: ignore[arg-type]
        clearing=pick(rng, *clearings),  # type: ignore[arg-type]
    )


def some_fault(rng: Rng, feeders: int) -> PlannedFault:
    return PlannedFault(
        when(rng),
        pick(rng, *FaultKind),  # type: ignore[arg-type]
        feeder=int(rng.integers(feeders)),
        carrier_eye=bool(rng.random() < 0.5),
        duration_s=float(rng.uniform(0.1, 3.0)),
    )


def some_adjustment(rng: Rng, line: Machine) -> Adjust:
    v = line.line.speed_mm_s
    setting = pick(rng, *Setting)
    value = {Setting.SPEED_RATIO: 1.02, Setting.ENGAGE_LEAD: 0.01, Setting.DISENGAGE_LEAD: 0.01}
    typed = value.get(setting, float(rng.uniform(20.0, 300.0)))  # type: ignore[call-overload]
    return Adjust(
        when(rng),
        pick(rng, None, 0.7 * v, 1.3 * v),  # type: ignore[arg-type]
        ((int(rng.integers(len(line.feeders))), setting, typed),),  # type: ignore[arg-type]
    )


def stocked(rng: Rng, feeder: Feeder) -> Feeder:
    holds = int(pick(rng, 0, 0, 3, 10, 25))  # type: ignore[call-overload]
    inserts = replace(
        feeder.inserts,
        magazine=holds,
        warning=int(pick(rng, 0, 1, 2)) if holds else 0,  # type: ignore[call-overload]
        refill_time_s=float(pick(rng, 0.0, 0.5, 10.0)),  # type: ignore[arg-type]
    )
    check = replace(feeder.double_check, stops=bool(rng.random() < 0.3))
    return replace(feeder, inserts=inserts, double_check=check)


def supervised(rng: Rng, line: Machine) -> Machine:
    """Return a machine with everything that may stop or change it, in odd combinations."""
    supervision = Supervision(
        rules(rng),
        tuple((h, float(pick(rng, 0.1, 0.5, 1.0))) for h in Hazard if rng.random() < 0.4),  # type: ignore[arg-type]
        keeps_place=bool(rng.random() < 0.5),
        home_time_s=float(pick(rng, 0.0, 4.0)),  # type: ignore[arg-type]
        faults=tuple(some_fault(rng, len(line.feeders)) for _ in range(int(rng.integers(5)))),
        adjusts=tuple(some_adjustment(rng, line) for _ in range(int(rng.integers(4)))),
    )
    feeders = tuple(stocked(rng, feeder) for feeder in line.feeders)
    return replace(line, feeders=feeders, supervision=supervision)


@pytest.mark.parametrize(
    ("block", "kind"),
    [*((block, random_machine) for block in range(4)), (0, filtered_machine)],
)
def test_everything_at_once_adds_up(block: int, kind: Callable[[int], Machine]) -> None:
    stops = 0
    for seed in range(20 * block, 20 * block + 20):
        rng = np.random.default_rng(seed)
        line = supervised(rng, kind(seed))
        tracer = Tracer()
        run = LineRun(line, RunDraws(line, seed), carriers=40, tracer=tracer)
        for _ in range(int(rng.integers(4))):
            order = BEFORE if rng.random() < 0.5 else AFTER
            rule = Rule.EMERGENCY_STOP if rng.random() < 0.5 else Rule.JAM
            run.parts.append(Trips(run, float(rng.uniform(0.0, 30.0)), order, rule))
        records = run.run()
        assert faults(line, records, tracer.in_order()) == [], seed
        times = [t for s in records.stops for t in (s.time_s, s.at_rest_s, s.restarted_s)]
        known = [t for t in times if not math.isnan(t)]
        assert known == sorted(known), seed
        stops += len(records.stops)
    assert stops > 50
