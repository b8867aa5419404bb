"""Settings for a cycle whose ramp-in or lag is not over in time, exact at line speed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Paced
from feedsim.machine import Carriers, Clutch, Servo
from feedsim.settings import right
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.nominal_cycle import way_until_slower
from feedsim.settings.right import Solution, solve_feeder
from tests.machines import Machine, feeder, machine, run, settings
from tests.random_machines import random_machine

pytestmark = pytest.mark.usefixtures("quick_engine")

# stage (mm), S (mm), loop gain (1/s), feedforward, ramps (s), pitch (mm), speed (m/min)
CASES = [
    (150.0, 220.0, 200.0, 0.8, 0.020, 260.0, 60.0),  # the next nose 5.6 mm before its eye
    (60.0, 120.0, 30.0, 0.8, 0.020, 260.0, 60.0),  # a lag that takes 33 ms to settle
    (60.0, 120.0, 60.0, 0.0, 0.020, 260.0, 80.0),
    (60.0, 90.0, 200.0, 0.8, 0.080, 400.0, 60.0),  # landing in the ramp-in
    (60.0, 120.0, 25.0, 0.5, 0.020, 200.0, 60.0),  # engaged again before the feed has come to rest
]


def line(case: tuple[float, ...], *, travel: bool) -> Machine:
    stage, way, gain, feedforward, ramp, pitch, speed = case
    length = ramp * speed * 1000.0 / 60.0 if travel else ramp
    one = feeder(
        insert_eye_to_placement_mm=way,
        nose_limit_mm=way,
        clutch=Clutch(travel, length, length, 0.0),
        servo=Servo(gain, feedforward),
        settings=settings(stage_position_mm=stage),
    )
    carriers = Carriers(Paced(190.0, pitch))
    return machine(one, speed_m_min=speed, carriers=carriers)


@pytest.mark.parametrize("travel", [False, True])
@pytest.mark.parametrize("case", CASES)
def test_nominal_cards_are_staged_and_placed_exactly(case: tuple[float, ...], travel: bool) -> None:
    there = line(case, travel=travel)
    assert solve_feeder(there, there.feeders[0]).unsettled
    rows = run(there, carriers=40).feeders[0]
    np.testing.assert_allclose(rows.placement_error_mm[20:], 0.0, rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(rows.stage_position_mm[20:], case[0], rtol=0.0, atol=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_the_closed_form_of_a_settled_cycle_is_off_there(case: tuple[float, ...]) -> None:
    """Planted: what would be right if every ramp and lag were over (model.md, section 14)."""
    stage, way, gain, feedforward, ramp, _pitch, _speed = case
    there = line(case, travel=False)
    lead = 0.0005 + (1.0 - feedforward) / gain + 0.5 * ramp
    closed = replace(
        there.feeders[0].settings,
        engage_distance_mm=400.0 + 20.0 - (way - stage),
        engage_lead_s=lead,
        disengage_distance_mm=stage,
        disengage_lead_s=lead,
    )
    off = replace(there, feeders=(replace(there.feeders[0], settings=closed),))
    rows = run(off, carriers=40).feeders[0]
    worst = max(
        float(np.abs(rows.placement_error_mm[20:]).max()),
        float(np.abs(rows.stage_position_mm[20:] - stage).max()),
    )
    assert worst > 0.01


def test_a_settled_cycle_keeps_the_closed_form_that_holds_at_every_speed() -> None:
    there = machine(feeder(clutch=Clutch(False, 0.02, 0.02, 0.0), servo=Servo(200.0, 0.8)))
    found = solve_feeder(there, there.feeders[0])
    assert not found.unsettled
    assert found.disengage_distance_mm == 60.0
    assert found.engage_distance_mm == 400.0 + 20.0 - 60.0


@pytest.mark.parametrize("travel", [False, True])
@pytest.mark.parametrize("speed_mm_s", [0.001, 0.01, 1.0])
def test_even_at_a_crawl_the_search_for_a_slower_feed_ends(speed_mm_s: float, travel: bool) -> None:
    there = line(CASES[3], travel=travel)
    one = there.feeders[0]
    way = way_until_slower(FeederAtSpeed(there, one, speed_mm_s), nose_mm_s=0.95 * speed_mm_s)
    # in a full ramp-out of travel A the speed is down by u after A·(u − u²/2); the lag adds to it
    ramp = one.clutch.ramp_out if travel else one.clutch.ramp_out * speed_mm_s
    assert way >= ramp * (0.05 - 0.05**2 / 2.0) * (1.0 - 1e-6)
    assert way < 1e4


def _right_at_many_speeds() -> list[Solution]:
    found = []
    for seed in range(40):
        made = random_machine(seed)
        for by in (0.05, 0.3, 1.0, 2.0):
            at = replace(made, line=replace(made.line, speed_mm_s=by * made.line.speed_mm_s))
            found += [solve_feeder(at, one) for one in at.feeders]
    return found


def test_a_cycle_that_is_settled_for_sure_need_not_be_run(monkeypatch: pytest.MonkeyPatch) -> None:
    bounded = _right_at_many_speeds()
    monkeypatch.setattr(right, "usually_left", lambda _: math.inf)
    run_through = _right_at_many_speeds()
    assert bounded == run_through
    assert 0 < sum(one.unsettled for one in run_through) < len(run_through)
    # the twin, which takes all for settled
    monkeypatch.setattr(right, "usually_left", lambda _: 0.0)
    assert _right_at_many_speeds() != run_through
