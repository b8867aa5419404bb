"""What ``check`` says of values near the edge of their window, and what would leave more room.

A line whose stage spreads by nothing but the motion tick: the clutch opens up to a cycle late, so
that the stage lies evenly within v·T/2 of its position (``auto`` centres it, MODEL.md sections 5
and 8). With no jam allowed its upper edge is at the nose limit less v·T/2.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim.answers.limit.study.turned import helping, near_edges
from feedsim.answers.tune.pointer import tune_words
from feedsim.measures import parse
from feedsim.scenario import Scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SPEED, CYCLE = 1000.0, 2e-3


def line(**changes: Any) -> feedsim.Line:
    keys = {
        "run.master": "virtual",
        "run.carriers": 400,
        "line.speed": "1000 mm/s",
        "controller.motion_cycle": "2 ms",
        "feeder.0.nose_limit": "62 mm",
        "feeder.0.insert.gap": "80 mm",
        "acceptance.jam_risk": "0 %",
        "acceptance.placement_tolerance": "5 mm",
    }
    given = {key.replace("__", "."): value for key, value in changes.items()}
    return feedsim.load(SCENARIOS / "bench.toml", keys | given)


def edges(scenario: Scenario, key: str) -> list[float]:
    found = near_edges(scenario, SPEED)
    return [parse(edge.edge, edge.kind) for edge in found if edge.key == key]


def test_a_stage_near_its_nose_limit_is_told_with_its_edge() -> None:
    quiet = line(
        feeder__0__eye__response_jitter="0 ms", feeder__0__eye__edge_sd="0 mm",
        feeder__0__insert__gap_sd="2 mm", feeder__0__insert__slip_sd="0 mm",
        feeder__0__eye__missed="0 %", feeder__0__insert__misfeed="0 %",
    )  # fmt: skip
    (edge,) = edges(quiet.scenario, "feeder.0.settings.stage_position")
    assert edge == pytest.approx(62.0 - SPEED * CYCLE / 2.0, abs=0.02)
    told = feedsim.check(quiet)
    assert any("feeder.0.settings.stage_position (60 mm) up to 61 mm" in w for w in told.warnings)
    # simulation finds the same: none strikes just inside, some do just beyond
    for stage, strikes in ((edge - 0.05, False), (edge + 0.3, True)):
        ran = feedsim.run(quiet.but({"feeder.0.settings.stage_position": f"{stage} mm"}))
        assert (ran.feeders[0].hazards.nose_strike.count > 0) is strikes


@pytest.mark.usefixtures("quick_engine")
def test_a_value_that_bears_nothing_is_told_as_that() -> None:
    # the motion cycle of 1 ms locks with the scan of 2 ms; one a little off meets all its phases
    changes = {
        "carrier_eye.capture": "scanned",
        "feeder.0.eye.capture": "scanned",
        "line.speed": "35 m/min",
        "run.carriers": 20_000,
    }
    locked = feedsim.load(SCENARIOS.parent / "feedsim/scenario/starter.toml", changes)
    (near,) = [w for w in feedsim.check(locked).warnings if "Near the edge" in w]
    assert "controller.motion_cycle (1 ms) hardly lower and hardly higher;" in near
    for cycle, accepted in (("1 ms", True), ("0.9999 ms", False), ("1.0001 ms", False)):
        ran = feedsim.run(locked.but({"controller.motion_cycle": cycle}))
        assert ran.accepted is accepted


def test_far_from_every_edge_nothing_is_told() -> None:
    far = line(feeder__0__nose_limit="90 mm")
    assert [edge.key for edge in near_edges(far.scenario, SPEED)] == []
    assert not any("Near the edge" in words for words in feedsim.check(far).warnings)


def test_a_line_that_is_refused_has_no_edge() -> None:
    refused = line(feeder__0__nose_limit="60.2 mm")
    assert [*near_edges(refused.scenario, SPEED)] == []


def test_what_typed_settings_were_solved_for_is_not_turned() -> None:
    typed = feedsim.load(SCENARIOS / "trial_reply_card.toml").scenario
    keys = {edge.key for edge in near_edges(typed, typed.line.speed)}
    assert not keys & {"feeder.0.eye_to_placement", "feeder.0.settings.stage_position"}


def test_where_the_stage_binds_a_lower_one_would_help_and_a_tune_is_pointed_to() -> None:
    refused = line(feeder__0__nose_limit="60.8 mm", acceptance__jam_risk="0.1 %").scenario
    found = {one.key: one for one in helping(refused, SPEED)}
    stage = found["feeder.0.settings.stage_position"]
    assert parse(stage.better, "length") < 60.0
    assert stage.times < 1.0 < stage.times_now
    words = tune_words(refused, SPEED, units="metric")
    assert "feeder.0.settings.stage_position below 60 mm" in words
    assert '--knob "feeder.0.settings.stage_position=30:90 mm"' in words
    # the option that is offered is one that the command takes
    from feedsim.answers.tune.answer import asked

    option = next(part for part in words.split('"') if "stage_position=" in part)
    assert asked(line(), knobs=[option]).scenario.tune is not None


def test_where_nothing_that_is_chosen_helps_no_tune_is_pointed_to() -> None:
    # doubles and misfeeds are bought, not chosen
    scenario = line(feeder__0__insert__double="1 %", acceptance__jam_risk="0.1 %").scenario
    assert tune_words(scenario, SPEED) == ""
    assert tune_words(scenario, None) == ""
