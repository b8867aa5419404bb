"""What an operator changes while the line runs, and how placement answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Adjust, Machine, Setting, Supervision, When
from feedsim.metrics.response import responses
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.records.stop import Rule
from feedsim.simulation.line import LineRun, simulate
from tests.machines import LAGGING, NOISY_EYE, spread_carriers, spread_feeder
from tests.machines import machine as build
from tests.unit.test_stops import EDGES, draws_of, hand_line
from tests.unit.test_stops_everywhere import BEFORE, Trips

MORE = [*EDGES, 1300.0, 1600.0, 1900.0, 2200.0]


def adjusted(line: Machine, *adjusts: Adjust) -> RunRecords:
    assert line.supervision is not None
    line = replace(line, supervision=replace(line.supervision, adjusts=adjusts))
    return simulate(line, draws_of(line, MORE), carriers=len(MORE))


def test_an_engage_distance_holds_for_the_points_that_are_still_ahead() -> None:
    # Typed in at 1.2 s: carrier 2 has closed at 1.06 s, carrier 3 closes at 1.36 s, 5 mm later.
    change = Adjust(When(1.2), settings=((0, Setting.ENGAGE_DISTANCE, 365.0),))
    records = adjusted(hand_line(), change)
    errors = records.feeders[0].placement_error_mm
    assert errors == pytest.approx([0.0] * 3 + [5.0] * 5, abs=1e-9)
    assert records.adjustments[0].time_s == 1.2
    assert records.adjustments[0].next_carrier == 4  # 0 to 3 have come, at 0.1 to 1.0 s
    assert records.stops == ()


def test_an_adjustment_at_a_carrier_acts_as_it_comes() -> None:
    # carrier 3 at 1.0 s: carrier 1 has closed at 0.76 s, carrier 2 closes at 1.06 s, 5 mm later
    change = Adjust(When(carrier=3), settings=((0, Setting.ENGAGE_DISTANCE, 365.0),))
    records = adjusted(hand_line(), change)
    assert records.feeders[0].placement_error_mm[1:3] == pytest.approx([0.0, 5.0], abs=1e-9)
    assert records.adjustments[0].time_s == pytest.approx(1.0)
    assert records.adjustments[0].next_carrier == 3


def test_a_disengage_distance_moves_the_stage_and_with_it_the_placement() -> None:
    # Typed in at 0.9 s, in carrier 1's cycle: nose 2 was at the eye at 0.85 s, and its point would
    # come at 0.91 s. Staged 3 mm farther, insert 2 lands 3 mm sooner on carrier 2, and so on.
    change = Adjust(When(0.9), settings=((0, Setting.DISENGAGE_DISTANCE, 63.0),))
    rows = adjusted(hand_line(), change).feeders[0]
    assert rows.stage_position_mm == pytest.approx([60.0] * 2 + [63.0] * 6, abs=1e-9)
    assert rows.placement_error_mm == pytest.approx([0.0] * 2 + [-3.0] * 6, abs=1e-9)


def test_a_point_that_is_waited_for_moves_when_its_distance_is_typed_in() -> None:
    # Carrier 2 waits for m = 1060. At 1.05 s its distance becomes 365: 1.065 s. At 1.063 s it
    # becomes 350: passed, it acts at once.
    line = hand_line()
    later = Adjust(When(1.05), settings=((0, Setting.ENGAGE_DISTANCE, 365.0),))
    sooner = Adjust(When(1.063), settings=((0, Setting.ENGAGE_DISTANCE, 350.0),))
    engages = adjusted(line, later).feeders[0].engage_time_s
    assert engages[2] == pytest.approx(1.065)
    engages = adjusted(line, later, sooner).feeders[0].engage_time_s
    assert engages[2:4] == pytest.approx([1.063, 1.35])


def test_a_trim_changes_the_feed_at_once() -> None:
    # +10 % at 0.49 s, in the middle of carrier 0's run: f = 30, 30 mm to go at 1100 mm/s.
    change = Adjust(When(0.49), settings=((0, Setting.SPEED_RATIO, 1.1),))
    rows = adjusted(hand_line(), change).feeders[0]
    assert rows.placement_time_s[0] == pytest.approx(0.49 + 0.03 / 1.1)
    assert rows.nose_speed_mm_s[[0, 1]] == pytest.approx([1100.0, 1100.0])
    # E is what it was: the run of 60 mm takes 60/1.1 of belt travel. U = 60 mm of belt: 66 of feed.
    assert rows.stage_position_mm[1] == pytest.approx(66.0)
    assert rows.offset_mm[1] == pytest.approx(360.0 + 54.0 / 1.1 - 400.0)


def test_a_line_speed_is_reached_at_the_line_acceleration() -> None:
    line = hand_line()
    speed = replace(line.supervision, adjusts=(Adjust(When(0.2), 1500.0),))  # type: ignore[type-var]
    line = replace(line, supervision=speed)
    run = LineRun(line, draws_of(line, MORE), carriers=len(MORE))
    records = run.run()
    belt = run.conveyor.master.belt
    assert [belt.speed(t) for t in (0.2, 0.7, 1.2, 9.0)] == pytest.approx([1e3, 1250.0, 1500, 1500])
    # without leads, ticks and ramps the error is 0 at any speed
    assert records.feeders[0].placement_error_mm == pytest.approx([0.0] * 8, abs=1e-9)


def test_a_line_speed_asked_for_while_the_line_stands_waits_for_the_restart() -> None:
    line = hand_line()
    speed = replace(line.supervision, adjusts=(Adjust(When(3.0), 500.0),))  # type: ignore[type-var]
    line = replace(line, supervision=speed)
    run = LineRun(line, draws_of(line, MORE), carriers=len(MORE))
    run.parts.append(Trips(run, 0.7, BEFORE, Rule.JAM))
    run.run()
    belt = run.conveyor.master.belt
    assert [belt.speed(t) for t in (3.5, 6.2, 6.7, 7.2, 99.0)] == pytest.approx(
        [0.0, 0.0, 250.0, 500.0, 500.0]
    )


def test_the_response_to_a_change_that_is_far_above_the_noise() -> None:
    # At 30 s, a carrier every 0.3 s. What is engaged from then on is 4 mm off; at most one insert
    # was on its way, and each takes 75 ms of the 300 to land.
    noisy = spread_feeder(servo=LAGGING, eye=NOISY_EYE)
    line = build(noisy, carriers=spread_carriers())
    old = line.feeders[0].settings.engage_distance_mm
    changes = (
        Adjust(When(30.0), settings=((0, Setting.ENGAGE_DISTANCE, old + 4.0),)),
        Adjust(When(60.0), settings=((0, Setting.ENGAGE_DISTANCE, old),)),
    )
    line = replace(line, supervision=Supervision(adjusts=changes))
    records = simulate(line, RunDraws(line, 1), carriers=300)
    up, down = responses(records)
    (one,), (other,) = up.feeders, down.feeders
    error = records.feeders[0].placement_error_mm
    spread = float(np.nanstd(error[:90], ddof=1))
    assert spread < 0.5
    close = 4.0 * spread / np.sqrt(40.0)
    assert one.before_mm == pytest.approx(0.0, abs=close)
    assert one.after_mm == pytest.approx(4.0, abs=close)
    assert other.before_mm == pytest.approx(one.after_mm, abs=close)
    assert other.after_mm == pytest.approx(0.0, abs=close)
    assert one.carriers in {0, 1}
    assert other.carriers in {0, 1}


def test_a_response_with_too_few_inserts_is_not_told() -> None:
    line = hand_line()
    change = Adjust(When(1.9), settings=((0, Setting.ENGAGE_DISTANCE, 365.0),))
    (response,) = responses(adjusted(line, change))
    assert response.feeders[0].after_mm is None
    assert response.feeders[0].carriers is None
    assert responses(adjusted(line)) == ()


def test_runs_put_together_answer_each_for_itself() -> None:
    line = build(spread_feeder(), carriers=spread_carriers())
    old = line.feeders[0].settings.engage_distance_mm
    change = Adjust(When(20.0), settings=((0, Setting.ENGAGE_DISTANCE, old + 4.0),))
    line = replace(line, supervision=Supervision(adjusts=(change,)))
    runs = [
        replace(simulate(line, RunDraws(line, 1, replication=n), carriers=150), warm_up=10)
        for n in range(3)
    ]
    together = responses(joined(runs))
    assert len(together) == 3
    for response, run in zip(together, runs, strict=True):
        (alone,) = responses(run)
        assert response.feeders[0].after_mm == pytest.approx(alone.feeders[0].after_mm, rel=1e-9)
        assert response.feeders[0].before_mm == pytest.approx(0.0, abs=0.01)
