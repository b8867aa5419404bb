"""Misses, hazards and stops with their instants: what one jumps to."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.rehearse.study.scene_events import (
    SceneEvent,
    hazard_times,
    hazards_of_feeder,
    is_stop,
    missed_times,
    scene_events,
)
from feedsim.answers.rehearse.study.stretch import Excerpt, stretch_of
from feedsim.metrics.cycle_hazards import HAZARDS
from feedsim.metrics.hazards import Hazards
from feedsim.records.outcome import Outcome
from feedsim.records.trace import TraceEvent
from feedsim.running.replay.inserts import ReplayedInserts, inserts_of
from feedsim.running.run import criteria_of, machine_of, run_scenario, trace
from feedsim.scenario import Scenario, load_scenario
from feedsim.simulation.line import simulate_traced
from tests.unit.test_trace import three_carriers

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROUGH = (
    "run.carriers=300",
    'line.speed="170 m/min"',
    "feeder.0.insert.misfeed=2 %",
    "feeder.0.insert.double=2 %",
    "feeder.0.eye.missed=2 %",
    "carrier_eye.missed=1 %",
    'feeder.0.nose_limit="60.5 mm"',
    'feeder.0.servo.max_acceleration="60 m/s^2"',
    'limits.speed_mismatch="0.1 %"',
    'feeder.0.settings.target_offset="1 mm"',
)


def rough() -> Scenario:
    """Return a line on which every hazard is seen, and some carriers are missed."""
    return load_scenario(SCENARIOS / "membership_card.toml", overrides=ROUGH)


def all_of(scenario: Scenario) -> list[SceneEvent]:
    records, kept = trace(scenario)
    machine = machine_of(scenario)
    numbers = range(len(machine.feeders))
    return scene_events(
        records,
        kept,
        missed_s=[missed_times(records, kept, machine=machine, feeder=j) for j in numbers],
        hazards=[
            hazards_of_feeder(records, machine=machine, criteria=criteria_of(scenario), feeder=j)
            for j in numbers
        ],
        hazard_s=[hazard_times(records, kept, machine=machine, feeder=j) for j in numbers],
        outside=[np.abs(feeder.placement_error_mm) > 1.5 for feeder in records.feeders],
    )


def test_hazards_are_named_as_in_results() -> None:
    assert tuple(HAZARDS) == tuple(f.name for f in fields(Hazards))


def test_as_many_cycles_have_each_hazard_as_the_results_say() -> None:
    scenario = rough()
    done = run_scenario(scenario)
    found = hazards_of_feeder(
        done.records, machine=done.machine, criteria=criteria_of(scenario), feeder=0
    )
    seen = 0
    for hazard in found:
        counted = int(np.count_nonzero(hazard.there[done.records.warm_up :]))
        result = getattr(done.results.feeders[0].hazards, hazard.name)
        assert counted == result.count, hazard.name
        assert HAZARDS[hazard.name] == result.margin_unit
        seen += counted > 0
    assert seen == len(HAZARDS)


def test_each_miss_is_where_the_program_gave_the_carrier_up() -> None:
    scenario = rough()
    _, kept = trace(scenario)
    causes = {outcome.cause for outcome in Outcome}
    told = sorted(
        (e.time_s, e.event, e.carrier)
        for e in kept.events
        if e.part == "feeder.0.program" and e.event in causes
    )
    found = sorted((h.time_s, h.name, h.carrier) for h in all_of(scenario) if h.kind == "miss")
    assert found == told
    assert {name for _, name, _ in found} >= {"not_staged", "not_seen"}


def test_each_hazard_is_where_it_is_decided() -> None:
    """Nose strike and double as the clutch closes, tail as it opens, the rest at the landing."""
    scenario = rough()
    records, kept = trace(scenario)
    rows = records.feeders[0]
    column = {
        "nose_strike": rows.engage_time_s,
        "double": rows.engage_time_s,
        "tail_held": rows.opening_time_s,
        "speed_mismatch": rows.placement_time_s,
        "off_carrier": rows.placement_time_s,
    }
    strays: dict[int, float] = {}
    for e in kept.events:
        if e.event == "stray":
            strays.setdefault(e.carrier, e.time_s)
    found = [h for h in all_of(scenario) if h.kind == "hazard"]
    assert {h.name for h in found} == set(HAZARDS)
    for h in found:
        if h.name == "stray_insert":
            assert h.time_s == strays[h.carrier]
        elif h.name in column:
            assert h.time_s == column[h.name][h.carrier]
        else:  # 170 m/min in 20 ms is 142 m/s², over 60 on both ramps: told at the ramp-in
            assert h.time_s == rows.engage_time_s[h.carrier]
    assert [h.time_s for h in all_of(scenario)] == sorted(h.time_s for h in all_of(scenario))


def test_an_overload_of_the_ramp_out_alone_is_told_there() -> None:
    """60 m/min in 20 ms is 50 m/s², in 10 ms 100 m/s²: over 60 at the ramp-out, 3 ms after it."""
    scenario = load_scenario(
        SCENARIOS / "membership_card.toml",
        overrides=(
            "run.carriers=30",
            'feeder.0.clutch.ramp_out="10 ms"',
            'feeder.0.servo.max_acceleration="60 m/s^2"',
            'feeder.0.servo.command_delay="3 ms"',
        ),
    )
    rows = trace(scenario)[0].feeders[0]
    found = [h for h in all_of(scenario) if h.name == "drive_overload"]
    assert len(found) == 50
    for h in found:
        assert h.time_s == pytest.approx(rows.opening_time_s[h.carrier] + 0.003, abs=1e-12)


def test_a_carrier_that_no_event_gives_up_is_given_up_as_its_target_goes_by() -> None:
    """Three carriers of test_trace; carrier 1, edge at 400 mm, said to be missed without an event.

    Its target comes to the placement point at m = 400 + 400 + 20 = 820 mm, at 1000 mm/s 0.82 s.
    """
    line, draws = three_carriers()
    records, kept = simulate_traced(line, draws, carriers=3)
    outcome = records.feeders[0].outcome.copy()
    outcome[1] = Outcome.NOT_STAGED
    changed = replace(records, feeders=(replace(records.feeders[0], outcome=outcome),))
    times = missed_times(changed, kept, machine=line, feeder=0)
    assert times[1] == pytest.approx(0.82, abs=1e-12)
    assert math.isnan(times[0])
    assert math.isnan(times[2])


# -- stops ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "event", "stops"),
    [
        ("line", "trips", True),
        ("line", "stops", True),
        ("line", "starts", False),
        ("line", "restarts", False),
        ("feeder.0.clutch", "stops", False),
    ],
)
def test_which_events_stop_the_line(part: str, event: str, stops: bool) -> None:
    assert is_stop(TraceEvent(1.0, part, event, -1, -1, 0.0, math.nan)) is stops


def test_a_stop_is_among_the_happenings() -> None:
    line, draws = three_carriers()
    records, kept = simulate_traced(line, draws, carriers=3)
    stop = TraceEvent(0.5, "line", "trips", 1, -1, 500.0, math.nan)
    stopped = replace(kept, events=(*kept.events, stop))
    nobody = replace(records, feeders=())
    (found,) = scene_events(nobody, stopped, missed_s=[], hazards=[], hazard_s=[], outside=[])
    assert found.kind == "stop"
    assert (found.time_s, found.name, found.carrier) == (0.5, "trips", 1)


def inserts_at(stretch: Excerpt, feeder: int) -> ReplayedInserts:
    feed = stretch.feeds[feeder]
    return inserts_of(stretch, feeder, draws=stretch.draws, feed=feed, until_s=stretch.to_s)


def test_a_clearing_takes_out_what_has_come_and_is_not_placed() -> None:
    """Just after a stray has gone by, all on the path go but those that are placed or kept."""
    scenario = load_scenario(
        SCENARIOS / "membership_card.toml",
        overrides=("run.carriers=200", "feeder.0.eye.missed=5 %"),
    )
    stretch = stretch_of(scenario, range(30, 90))
    strays = [e for e in stretch.trace.events if e.event == "stray" and e.carrier > 40]
    t = strays[0].time_s + 1e-3
    before = inserts_at(stretch, 0)
    assert np.isnan(before.gone_s).all()
    cleared = TraceEvent(t, "line", "cleared", -1, -1, 0.0, math.nan)
    events = (*stretch.trace.events, cleared)
    after = inserts_at(replace(stretch, trace=replace(stretch.trace, events=events)), 0)
    gone = np.flatnonzero(after.gone_s == t)
    come = after.nose_mm <= stretch.feeds[0].position(t)
    assert strays[0].insert in gone
    assert not np.any(after.lands_s[gone] <= t)
    assert come[gone].all()
    placed = np.flatnonzero(after.lands_s <= t)
    assert len(placed) > 30
    assert np.isnan(after.gone_s[placed]).all()
    assert np.isnan(after.gone_s[~come]).all()


def test_inserts_that_come_anew_are_where_their_eye_says() -> None:
    """Where a nose is said to be agrees with when the engine's eye switched for it.

    Each switching is the passing of the seen edge and the eye's delay after it. The magazine of 40
    runs empty twice, so all later noses lie further back; told without that, they are off.
    """
    scenario = load_scenario(
        SCENARIOS / "stops.toml",
        overrides=("run.carriers=100", "run.warm_up=0", "feeder.0.insert.magazine=40"),
    )
    stretch = stretch_of(scenario, range(20, 95))
    told, feed = inserts_at(stretch, 0), stretch.feeds[0]
    unmoved = inserts_at(replace(stretch, trace=replace(stretch.trace, moved=())), 0)
    off, off_unmoved = [], []
    for e in stretch.trace.events:
        if (e.part, e.event) == ("feeder.0.insert_eye", "switches") and e.insert < len(told.cards):
            card = told.cards[e.insert]
            edge_mm = feed.position(e.time_s - card.eye_delay_s) - card.seen_edge_mm + card.nose_mm
            off.append(edge_mm - told.nose_mm[e.insert])
            off_unmoved.append(edge_mm - unmoved.nose_mm[e.insert])
    assert len(off) > 80
    assert off == pytest.approx([0.0] * len(off), abs=1e-6)
    assert off_unmoved[:30] == pytest.approx(off[:30], abs=1e-6)
    assert min(off_unmoved[-10:]) > 1.0
