"""After a stop carriers are accounted for again: their parts add up, and hide nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.explain.study import run as runs
from feedsim.answers.explain.study.run import traced
from feedsim.answers.explain.study.source import StorySource
from feedsim.answers.explain.study.story import story_of
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Machine
from feedsim.records.outcome import Outcome
from feedsim.scenario import load_scenario, override, scenario_from_text
from tests.random_machines import filtered_machine, random_machine
from tests.unit.story_cases import SUM_MM, explain, source_of
from tests.unit.test_story_every_machine import check_delays
from tests.unit.test_supervised_line import supervised

STOPS = Path(__file__).parents[2] / "scenarios" / "stops.toml"


def accounted(source: StorySource) -> tuple[int, int]:
    """Check every story; return how many placed after the first disturbance, and accounted for."""
    placed = told = 0
    for number, rows in enumerate(source.records.feeders):
        for carrier in range(len(rows.outcome)):
            story = story_of(source, carrier, feeder=number)
            assert story.outcome == Outcome(int(rows.outcome[carrier])).cause
            assert story.reason
            after = bool(rows.engage_time_s[carrier] > source.disturbed_s)
            if rows.outcome[carrier] == Outcome.PLACED:
                assert story.placement_error_mm == rows.placement_error_mm[carrier]
                placed += after
            if not story.parts:
                continue
            assert story.sum_of_parts_mm is not None
            assert abs(story.sum_of_parts_mm - rows.placement_error_mm[carrier]) < SUM_MM
            check_delays(source.machine, number, {part.key: part for part in story.parts})
            told += after
    return placed, told


@pytest.mark.parametrize("kind", [random_machine, filtered_machine])
def test_parts_add_up_wherever_a_line_was_stopped(kind: Callable[[int], Machine]) -> None:
    placed = told = 0
    for seed in range(50):
        line = supervised(np.random.default_rng(seed), kind(seed))
        assert line.supervision is not None
        if seed % 3:  # settings that change end the account for good
            line = replace(line, supervision=replace(line.supervision, adjusts=()))
        source = source_of(line, RunDraws(line, seed), carriers=40)
        more = accounted(source)
        placed, told = placed + more[0], told + more[1]
    assert told > 0.25 * placed > 50.0, (placed, told)


def test_the_example_is_accounted_for_but_for_what_its_stops_met() -> None:
    scenario = override(load_scenario(STOPS), ["run.carriers=1200"])
    source = traced(scenario)
    stops = source.records.stops
    assert len(stops) == 3
    placed, told = accounted(source)
    # each stop costs the account of what was being staged or under way then: a feeder's cycle
    # and the carriers between its eye and its placement point, 400 mm, two at a pitch of 260 mm
    assert placed - 3 * len(stops) <= told < placed
    first = next(k for k, t in enumerate(source.records.carriers.eye_time_s.tolist())
                 if t > stops[0].restarted_s)  # fmt: skip
    (story,) = explain(scenario, first + 2)
    assert story.parts
    assert story.sum_of_parts_mm == pytest.approx(story.placement_error_mm, abs=SUM_MM)


def test_what_a_stop_met_is_said_with_when_it_was_over() -> None:
    source = traced(override(load_scenario(STOPS), ["run.carriers=400"]))
    stop = source.records.stops[0]
    (lost,) = (c for feeder in stop.lost for c in feeder)
    text = " ".join(story_of(source, lost).reason)
    assert "It was lost as the line stopped (jam: carrier jam)." in text
    assert "From 78.28 s to 124 s the line was disturbed (the line: trips)" in text
    assert (round(stop.time_s, 2), round(stop.restarted_s)) == (78.28, 124)
    assert "before that or after" in text


def test_a_fault_that_ends_in_a_stop_is_over_when_the_line_runs_again() -> None:
    """Dirt from carrier 100 on; 1.5 m behind the last edge that was seen the line stops."""
    rules = STOPS.read_text("utf-8").partition("[[fault]]")[0]
    rules += '[[fault]]\ncarrier = 100\nkind = "eye_dirty"\neye = "carrier"\nduration = "3 s"\n'
    exact = ("carrier.pitch_sd=0 mm", "carrier_eye.edge_sd=0 mm")
    changes = ["run.carriers=130", "supervision.carrier_eye_silent=1.5 m", *exact]
    source = traced(override(scenario_from_text(rules), changes))
    (stop,) = source.records.stops
    seen = source.records.carriers.eye_time_s[100]
    # the edge before was seen 0.26 m, and some tenths of a millisecond, before the dirt
    assert stop.time_s == pytest.approx(seen + 1.24, abs=2e-3)
    assert stop.at_rest_s == pytest.approx(stop.time_s + 0.5)  # 1 m/s at 2 m/s²
    text = " ".join(story_of(source, 99).reason)
    ends = f"to {stop.restarted_s:.4g} s the line was disturbed"
    assert f"{ends} (planned fault: eye dirty; the line: trips)" in text


def test_an_empty_magazine_is_named_to_those_it_left_without_an_insert() -> None:
    rules = STOPS.read_text("utf-8").partition("[[fault]]")[0]
    exact = ("carrier.pitch_sd=0 mm", "feeder.0.eye.missed=0 %", "feeder.0.insert.double=0 %")
    changes = ["run.carriers=80", "feeder.0.insert.magazine=60", *exact]
    source = traced(override(scenario_from_text(rules), changes))
    (stop,) = source.records.stops
    missed = int(np.flatnonzero(source.records.feeders[0].outcome == Outcome.NOT_STAGED)[0])
    assert missed == 60  # 60 inserts, from carrier 0 on
    why = " ".join(story_of(source, missed).reason)
    # the search ends 600 mm of feed behind the closing; its ramp-in costs 10, a tick up to 1 mm
    later_ms = 1000.0 * (stop.time_s - source.records.feeders[0].engage_time_s[59]) - 260.0
    assert later_ms == pytest.approx(350.0, abs=2.0)
    assert "Its magazine was empty, and it was still searching when the line stopped" in why
    assert f"{later_ms:.0f} ms later (no insert: magazine empty)" in why


def test_an_adjustment_ends_the_account_for_good() -> None:
    source = traced(load_scenario(STOPS), carriers=1600)
    changed = source.records.adjustments[0]
    engaged = source.records.feeders[0].engage_time_s
    late = int(np.flatnonzero(engaged > changed.time_s)[5])
    story = story_of(source, late)
    assert story.parts == ()
    assert "on the line was disturbed (the operator: adjusts)" in " ".join(story.reason)


def test_a_wrong_place_of_the_inserts_is_found() -> None:
    # planted: without what a recovery moved the inserts by, parts no longer add up
    scenario = override(
        load_scenario(STOPS),
        ["run.carriers=200", "feeder.0.insert.magazine=60", "feeder.0.double_check.action=count"],
    )
    source = traced(scenario)
    assert any(mm > 0.0 for _, mm in source.trace.moved[0])
    placed, told = accounted(source)
    assert told > 0.8 * placed
    planted = runs.source_of(scenario, source.records, replace(source.trace, moved=()))
    with pytest.raises((AssertionError, StopIteration)):
        accounted(planted)


def test_nothing_is_said_of_a_line_that_nothing_stops_but_what_was() -> None:
    scenario = override(load_scenario(STOPS), ["run.carriers=30"])
    source = traced(scenario)
    assert source.disturbed_s == math.inf
    assert all(story_of(source, k).hazards for k in source.feeders[0].cycles)


def test_who_is_lost_is_told_of_the_stop_that_took_it() -> None:
    # a jam, and an emergency stop in which the belt slows harder; behind them a gate
    gate = ("divert.at=700 mm", "divert.gate_time=20 ms", "divert.missed=true")
    hard = ("supervision.stop_deceleration=0.5 m/s^2", "supervision.emergency_deceleration=3 m/s^2")
    source = traced(override(load_scenario(STOPS), ["run.carriers=1000", *gate, *hard]))
    jam, emergency = source.records.stops[0], source.records.stops[-1]
    for stop, why in ((jam, "jam: carrier jam"), (emergency, "emergency stop")):
        assert stop.lost[0]
        for carrier in stop.lost[0]:
            text = " ".join(story_of(source, carrier).reason)
            assert f"It was lost as the line stopped ({why})." in text
            # from its own trip to its own restart, by the records
            when = f"From {stop.time_s:.4g} s to {stop.restarted_s:.4g} s the line was disturbed"
            assert when in text
    # v/a at 1000 mm/s
    assert emergency.at_rest_s - emergency.time_s == pytest.approx(1.0 / 3.0)
    assert jam.at_rest_s - jam.time_s == pytest.approx(2.0)
    accounted(source)
