"""Stories of a scenario: of the run as it is run elsewhere, told from one run, as plain data."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.explain.study import run as story_run
from feedsim.answers.explain.study.run import (
    find_first,
    first_hazard,
    first_miss,
    landing_to_come,
    source_of,
    traced,
)
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.explain.text import story_text
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import FeedsimError
from feedsim.metrics.plain import as_object
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import TraceEvent
from feedsim.running.run import machine_of, run_scenario, trace
from feedsim.scenario import Scenario, load_scenario
from feedsim.simulation.line import simulate, simulate_traced
from tests.unit import story_cases
from tests.unit.story_cases import explain

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def scenario(name: str, carriers: int, *more: str) -> Scenario:
    return load_scenario(SCENARIOS / f"{name}.toml", overrides=[f"run.carriers={carriers}", *more])


def records_of(what: Scenario) -> RunRecords:
    return run_scenario(what).records


@pytest.mark.parametrize("name", ["membership_card", "hand_fed", "imperial", "bench"])
def test_a_story_is_that_of_the_run(name: str) -> None:
    what = scenario(name, 120)
    records = records_of(what)
    rows = records.feeders[0]
    for carrier in (0, 45, records.warm_up + 119):
        (story,) = explain(what, carrier)
        assert story.outcome == Outcome(int(rows.outcome[carrier])).cause
        assert story.leading_edge_mm == records.carriers.leading_edge_mm[carrier]
        assert story.eye_time_s == records.carriers.eye_time_s[carrier]
        if story.outcome == "placed":
            assert story.insert == rows.insert[carrier]
            assert story.placement_error_mm == rows.placement_error_mm[carrier]
            assert story.sum_of_parts_mm == pytest.approx(story.placement_error_mm, abs=1e-9)


def test_a_carrier_has_a_story_at_each_feeder() -> None:
    stories = explain(scenario("two_feeders", 20), 7)
    assert [(s.feeder, s.feeder_name) for s in stories] == [
        (0, "card feeder"),
        (1, "leaflet feeder"),
    ]


def test_another_replication_has_its_own_story() -> None:
    what = scenario("membership_card", 20)
    machine = machine_of(what)
    draws = RunDraws(machine, what.seed, replication=2)
    rows = simulate(machine, draws, carriers=40).feeders[0]
    story = story_cases.told(machine, draws, carrier=9, carriers=40)
    assert story.placement_error_mm == rows.placement_error_mm[9]
    assert story.placement_error_mm != explain(what, 9)[0].placement_error_mm


def test_a_shortened_run_tells_the_same_as_the_whole() -> None:
    # carrier 5 of 220: explain runs 70 of them
    what = scenario("membership_card", 200)
    assert explain(what, 5) == [story_of(traced(what), 5)]


def test_many_stories_are_told_of_one_run(monkeypatch: pytest.MonkeyPatch) -> None:
    what, runs = scenario("membership_card", 60), []

    def counted(*args: object, **more: object) -> object:
        runs.append(more)
        return simulate_traced(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(story_run, "simulate_traced", counted)
    source = traced(what)
    stories = [story_of(source, k) for k in range(80)]
    assert len(runs) == 1
    assert [s.carrier for s in stories] == list(range(80))
    assert stories[33] == explain(what, 33)[0]


def test_a_run_and_a_trace_that_are_there_will_do() -> None:
    what = scenario("membership_card", 40)
    source = source_of(what, *trace(what))
    assert [story_of(source, k) for k in range(60)] == [
        story_of(traced(what), k) for k in range(60)
    ]


def test_a_part_of_a_trace_will_not_do() -> None:
    what = scenario("membership_card", 40)
    with pytest.raises(ValueError, match="lacks events"):
        source_of(what, *trace(what, around=range(20, 30)))
    empty = scenario("bench", 10)  # its jog is no carrier's: every trace has that
    source_of(empty, *trace(empty, around=range(30)))


def test_an_insert_that_may_still_land_is_noticed() -> None:
    # its clutch opens short of the landing, and the run ends (see test_story_missed.py)
    line = story_cases.with_feeder(story_cases.plain(), insert_eye_to_placement_mm=160.0)
    line = story_cases.with_settings(line, engage_distance_mm=320.0, disengage_distance_mm=-10.0)
    draws = story_cases.draws_of(line)
    assert landing_to_come(story_cases.source_of(line, draws, carriers=1), 0)
    assert not landing_to_come(story_cases.source_of(line, draws, carriers=2), 0)


@pytest.mark.parametrize("carrier", [-1, 60])
def test_a_carrier_that_the_run_has_not(carrier: int) -> None:
    what = scenario("membership_card", 40)
    with pytest.raises(FeedsimError, match="they are 0 to 59"):
        explain(what, carrier)
    source = traced(what)
    with pytest.raises(IndexError):
        story_of(source, carrier)
    with pytest.raises(IndexError):
        story_of(source, 3, feeder=1)


# -- which carrier -------------------------------------------------------------------


def test_the_first_that_was_missed_and_the_first_at_risk() -> None:
    what = scenario("hand_fed", 150)
    records = records_of(what)
    outcome = records.feeders[0].outcome[records.warm_up :]
    first = records.warm_up + int(np.flatnonzero(outcome != Outcome.PLACED)[0])
    source, found = find_first(what, first_miss)
    assert found == first
    assert story_of(source, first).outcome != "placed"
    # of the first 1024 carriers of the membership card one was a stray: see the README
    risky = scenario("membership_card", 900)
    assert find_first(risky, first_hazard)[1] == 422
    assert find_first(risky, first_miss)[1] == 423


def test_the_warm_up_is_not_looked_at() -> None:
    what = scenario("membership_card", 900, "run.warm_up=424")
    assert find_first(what, first_miss)[1] != 423
    assert traced(what, carriers=100).records.warm_up == 100


def test_a_run_grows_until_one_is_found() -> None:
    # carrier 3000 of a run is beyond the first attempt; one that comes too near its end as well
    what, tried = scenario("membership_card", 4500), []

    def at_3000(source: object, feeder: int | None) -> int | None:
        n = len(source.carriers)  # type: ignore[attr-defined]
        tried.append(n)
        return 3000 if n > 3000 else 1000 if n == 1024 else None

    source, found = find_first(what, at_3000)
    assert tried == [1024, 4096]
    assert (len(source.carriers), found) == (4096, 3000)


def test_at_one_feeder_or_at_any() -> None:
    limits = ("feeder.0.nose_limit=60.5 mm", "feeder.1.nose_limit=80.8 mm")
    misfeeds = ("feeder.0.insert.misfeed=20 %", "feeder.1.insert.misfeed=5 %")
    source = traced(scenario("two_feeders", 100, *limits, *misfeeds))
    for pick in (first_miss, first_hazard):
        one, other = (pick(source, n) for n in (0, 1))
        assert one is not None
        assert other is not None
        assert one != other
        assert pick(source) == min(one, other)


def test_none_is_found_where_there_is_none() -> None:
    assert find_first(scenario("imperial", 30), first_miss)[1] is None
    assert find_first(scenario("imperial", 30), first_hazard)[1] is None


# -- what a story holds ----------------------------------------------------------------


def test_events_are_in_order_and_cost_what_the_belt_moved() -> None:
    what = scenario("membership_card", 60)
    source = traced(what)
    for carrier in range(20, 60):
        story = story_of(source, carrier)
        times = [event.time_s for event in story.events]
        assert times == sorted(times)
        for event in story.events:
            assert event.belt_mm == pytest.approx(source.belt.position(event.time_s), abs=1e-9)
            if event.delay_s is not None and "ramp" not in event.words:
                begun = source.belt.position(event.time_s - event.delay_s)
                moved = event.belt_mm - begun
                rests = "comes to rest" in event.words  # a ramp costs half of what the belt moves
                share = 0.5 if rests else 1.0
                expected = pytest.approx(share * moved, abs=1e-9)
                assert event.cost_mm is None or event.cost_mm == expected


def test_a_placed_carrier_has_its_events() -> None:
    # times in ms after the edge at the eye, on the line of story_cases.py: insert 1 is staged in
    # the cycle of carrier 0, which closes at 660, 60 after the edge of carrier 1
    line = story_cases.plain()
    story = story_cases.told(line, story_cases.draws_of(line))
    told = [(round(1e3 * (e.time_s - story.eye_time_s), 6), e.words) for e in story.events]
    assert told == [
        (0.0, "carrier 1 comes to the carrier eye"),
        (0.0, "the carrier eye has switched; travel stored"),
        (155.6, "insert 1 comes to its eye, seen on time, in the feed cycle of carrier 0"),
        (155.6, "the insert eye has switched; travel stored"),
        (215.6, "disengage point: 60 mm of belt after the stored travel"),
        (215.6, "motion tick: the clutch opens"),
        (215.6, "insert 1 comes to rest, its nose at 60 mm (stage position 60 mm)"),
        (360.0, "engage point: 360 mm of belt after the stored travel"),
        (360.0, "motion tick: the clutch closes"),
        (420.0, "insert 1 lands, on time"),
        (455.6, "the next insert, 2, has switched the insert eye"),
        (515.6, "motion tick: the clutch opens, the tail of insert 1 at 130 mm"),
        (515.6, "the feeder is ready again"),
    ]


def test_plain_data_holds_everything_and_is_json() -> None:
    line = story_cases.plain()  # steps, of a drive without a limit: an infinite margin
    story = story_cases.told(line, story_cases.draws_of(line))
    data = json.loads(json.dumps(as_object(story), allow_nan=False))
    assert data["outcome"] == "placed"
    assert data["carrier"] == 1
    assert len(data["events"]) == len(story.events)
    assert [p["key"] for p in data["parts"]] == [p.key for p in story.parts]
    total = math.fsum(p["error_mm"] for p in data["parts"])
    assert total == pytest.approx(data["placement_error_mm"], abs=1e-9)
    assert [h["hazard"] for h in data["hazards"]] == [h.hazard for h in story.hazards]


def test_words_are_in_the_units_asked_for() -> None:
    what = scenario("membership_card", 20)
    (inch,) = explain(what, 12, units="inch")
    (metric,) = explain(what, 12)
    assert inch.parts == metric.parts
    words = " ".join([*inch.reason, *(e.words for e in inch.events)])
    assert " in" in words
    assert "mm" not in words


def test_the_reason_names_the_largest_parts_and_the_tolerance() -> None:
    line = story_cases.with_settings(story_cases.plain(), engage_distance_mm=362.0)
    draws = story_cases.insert_with(story_cases.draws_of(line), seen_edge_mm=0.25)
    reason = story_cases.told(line, draws).reason
    assert reason == (
        "Placed 1.750 mm late, OUT OF the tolerance of 1.5 mm.",
        "The largest parts: engage distance not the right one (2.000 mm late) and insert eye edge "
        "(0.250 mm early).",
    )


def test_a_late_closing_is_told() -> None:
    line = story_cases.plain(
        controller=replace(story_cases.plain().controller, not_ready_engages=True)
    )
    draws = story_cases.carrier_with(story_cases.draws_of(line), 0, eye_delay_s=0.3002)
    story = story_cases.told(line, draws)
    assert "The clutch closed after its point: waited for the feeder (155.600 mm late)." in (
        story.reason
    )
    waits = [e for e in story.events if "waits for it" in e.words]
    assert [e.time_s for e in waits] == pytest.approx([0.9602], abs=1e-9)


# -- a line that is stopped or adjusted -----------------------------------------------------


def test_no_account_is_given_of_carriers_that_a_stop_or_an_adjustment_met() -> None:
    what = scenario("membership_card", 40)
    records, kept = trace(what)
    middle = float(records.feeders[0].engage_time_s[30]) + 0.001
    stop = TraceEvent(middle, "line", "trips", -1, -1, kept.belt.position(middle), math.nan)
    disturbed = replace(kept, events=tuple(sorted([*kept.events, stop], key=lambda e: e.time_s)))
    source = source_of(what, records, disturbed)
    before, after = story_of(source, 28), story_of(source, 30)
    assert before == explain(what, 28)[0]
    assert after.parts == ()
    assert after.hazards == ()
    assert after.placement_error_mm == records.feeders[0].placement_error_mm[30]
    assert "the line was disturbed (the line: trips)" in " ".join(after.reason)
    told = [event.words for event in after.events]
    assert told[told.index("clutch: closes") + 1] == "the line: trips"


def test_a_carrier_that_never_came() -> None:
    # as where the line is given up after a stop: no time at the eye, no event
    what = scenario("membership_card", 40)
    records, kept = trace(what)
    times = records.carriers.eye_time_s.copy()
    times[59] = math.nan
    outcome = records.feeders[0].outcome.copy()
    outcome[59] = Outcome.LINE_STOP
    stop = TraceEvent(1.0, "line", "trips", -1, -1, 1000.0, math.nan)
    left = tuple(event for event in kept.events if event.carrier != 59)
    source = source_of(
        what,
        replace(
            records,
            carriers=replace(records.carriers, eye_time_s=times),
            feeders=(replace(records.feeders[0], outcome=outcome),),
        ),
        replace(kept, events=(*left, stop)),
    )
    story = story_of(source, 59)
    assert story.reason[0] == "It never came to its eye."
    assert story.events == ()
    assert as_object(story)["eye_time_s"] is None
    assert "What happened" not in story_text(story)


@pytest.mark.parametrize(
    ("part", "event", "disturbs"),
    [
        ("line", "starts", False),
        ("line", "restarts", True),
        ("operator", "adjusts", True),
        ("fault", "eye_dirty", True),
        ("feeder.0.recovery", "staged", True),
        ("feeder.0.magazine", "warns", False),
    ],
)
def test_what_disturbs_a_line(part: str, event: str, disturbs: bool) -> None:
    what = scenario("membership_card", 5)
    records, kept = trace(what)
    more = TraceEvent(1.0, part, event, -1, -1, 1000.0, math.nan)
    source = source_of(what, records, replace(kept, events=(*kept.events, more)))
    assert (source.disturbed_s == 1.0) is disturbs
