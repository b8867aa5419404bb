"""Every carrier against SciPy's integrator, to 1e-6 mm: nothing random, no ticks, no counts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Clutch, Controller, Encoder, Inserts, Line, Machine, Servo
from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome
from tests.machines import (
    LAGGING,
    RIGID,
    feeder,
    machine,
    run,
    settings,
    spread_carriers,
    spread_feeder,
)
from tests.theory.integrated_line import Integration

CARRIERS = 12
SEED = 3
TOLERANCES = {
    "engage_time_s": 1e-9,
    "stage_position_mm": 1e-6,
    "placement_time_s": 1e-9,
    "placement_error_mm": 1e-6,
    "nose_speed_mm_s": 1e-5,
    "opening_time_s": 1e-9,
    "ready_time_s": 1e-9,
}
"""How far each column may differ: 1e-6 mm, and as much in time at 1000 mm/s."""

CLUTCHES = {
    "step": Clutch(settle_s=0.004),
    "time": Clutch(ramp_in=0.02, ramp_out=0.015, settle_s=0.004),
    "travel": Clutch(travel_ramp=True, ramp_in=20.0, ramp_out=12.0, settle_s=0.004),
}
SERVOS = {"rigid": RIGID, "lag": LAGGING, "slack": Servo(loop_gain_per_s=50.0)}
PROFILES = {
    "constant": (),
    "from-rest": ((0.0, 0.0), (4.0, 1200.0)),
    "slowing": ((0.5, 1100.0), (3.0, 250.0)),
    "resting": ((0.6, 900.0), (1.2, 0.0), (1.5, 0.0), (2.3, 800.0)),
}


def plain(clutch: str, servo: str, belt: str) -> Machine:
    return machine(
        spread_feeder(clutch=CLUTCHES[clutch], servo=SERVOS[servo]),
        carriers=spread_carriers(),
        line=Line(1000.0, profile=PROFILES[belt]),
    )


def full(clutch: str, servo: str, belt: str) -> Machine:
    """Speed ratio, scale error, command delay, filtered speed and slips as well."""
    return machine(
        feeder(
            clutch=CLUTCHES[clutch],
            servo=replace(SERVOS[servo], command_delay_s=0.003),
            inserts=Inserts(length_mm=85.6, gap_mm=70.0, gap_sd_mm=4.0, slip_mm=0.4),
            settings=settings(speed_ratio=1.04),
        ),
        carriers=spread_carriers(slip_mm=0.5),
        line=Line(1000.0, profile=PROFILES[belt]),
        encoder=Encoder(0.0, 0.012),
        controller=Controller(speed_filter_s=0.03),
    )


def engine(line: Machine) -> FeederRecords:
    return run(line, carriers=CARRIERS, seed=SEED).feeders[0]


@cache
def integrated_of(line: Machine) -> dict[str, NDArray[np.float64]]:
    return Integration(line, RunDraws(line, SEED), carriers=CARRIERS).integrate()


def differing(line: Machine, rows: FeederRecords) -> dict[str, float]:
    """Columns in which integration and engine differ, with the largest difference."""
    found = {}
    for name, integrated in integrated_of(line).items():
        column = getattr(rows, name)
        same = np.array_equal(np.isnan(column), np.isnan(integrated))
        far = float(np.nanmax(np.abs(column - integrated))) if same else math.inf
        if far > TOLERANCES[name]:
            found[name] = far
    return found


@pytest.mark.parametrize("build", [plain, full])
@pytest.mark.parametrize(("clutch", "servo", "belt"), list(product(CLUTCHES, SERVOS, PROFILES)))
def test_engine_agrees_with_the_integrated_motion(
    build: Callable[[str, str, str], Machine], clutch: str, servo: str, belt: str
) -> None:
    line = build(clutch, servo, belt)
    rows = engine(line)
    assert np.all(rows.outcome == int(Outcome.PLACED))
    assert differing(line, rows) == {}


@pytest.mark.parametrize("clutch", CLUTCHES)
@pytest.mark.parametrize("rest_s", [0.85, 0.92, 0.98, 1.03, 1.1, 1.3])
def test_a_belt_that_comes_to_rest_anywhere_in_a_cycle(clutch: str, rest_s: float) -> None:
    profile = ((rest_s - 0.3, 900.0), (rest_s, 0.0), (rest_s + 0.2, 0.0), (rest_s + 0.5, 1000.0))
    line = full(clutch, "slack", "constant")
    line = replace(line, line=replace(line.line, profile=profile))
    assert differing(line, engine(line)) == {}


@pytest.mark.parametrize(("clutch", "pitch"), [("step", 158.0), ("time", 175.0), ("travel", 175.0)])
@pytest.mark.parametrize("belt", PROFILES)
def test_engaged_again_before_the_lag_is_gone_or_not_at_all(
    clutch: str, pitch: float, belt: str
) -> None:
    # a cycle takes 155.6/1.04·1.012 mm of travel, 7 ms and half of each ramp, about the pitch:
    # some carriers find the feeder at work, the others find it not yet at rest
    close = spread_carriers(length_mm=100.0, pitch_mm=pitch)
    line = replace(full(clutch, "slack", belt), carriers=close)
    rows = engine(line)
    assert {int(Outcome.PLACED), int(Outcome.NOT_STAGED)} == set(rows.outcome.tolist())
    assert differing(line, rows) == {}


def at_fault(line: Machine, part: str, **changes: float) -> Machine:
    """Return the line with one number of its feeder a little wrong."""
    first = line.feeders[0]
    wrong = replace(first, **{part: replace(getattr(first, part), **changes)})  # type: ignore[arg-type]
    return replace(line, feeders=(wrong,))


@pytest.mark.parametrize(
    ("part", "wrong"),
    [
        ("servo", {"loop_gain_per_s": 200.1}),
        ("servo", {"velocity_feedforward": 0.8001}),
        ("servo", {"command_delay_s": 0.003001}),
        ("clutch", {"ramp_in": 0.02001}),
        ("clutch", {"ramp_out": 0.01501}),
        ("settings", {"speed_ratio": 1.04001}),
    ],
)
def test_a_small_fault_of_the_feeder_is_found(part: str, wrong: dict[str, float]) -> None:
    line = full("time", "lag", "slowing")
    assert differing(line, engine(at_fault(line, part, **wrong))) != {}


def test_a_small_fault_of_the_line_is_found() -> None:
    line = full("time", "lag", "slowing")
    for wrong in (
        replace(line, encoder=Encoder(0.0, 0.01201)),
        replace(line, controller=Controller(speed_filter_s=0.0301)),
        replace(line, line=Line(1000.0, profile=((0.5, 1100.0), (3.0, 250.1)))),
    ):
        assert differing(line, engine(wrong)) != {}
