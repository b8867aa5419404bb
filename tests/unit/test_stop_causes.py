"""What lay behind a stop, what fell into it, and how an emergency stop brakes: by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.answers.run.tables import stops_csv
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Controller, FaultKind, Hazard, Machine, PlannedFault, StopRules, When
from feedsim.metrics.results import summarise
from feedsim.metrics.stops import line_stops
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.records.stop import Rule
from feedsim.simulation.line import simulate, simulate_traced
from tests.machines import arriving
from tests.unit.records_builder import CRITERIA
from tests.unit.test_stops import RULES, draws_of, hand_line
from tests.unit.test_stops_everywhere import faults

EDGES = [100.0 + 300.0 * i for i in range(8)]


def run(line: Machine, *, limit_mm: float = 400.0) -> RunRecords:
    line = replace(line, controller=Controller(search_limit_mm=limit_mm))
    records, trace = simulate_traced(line, draws_of(line, EDGES), carriers=len(EDGES))
    assert faults(line, records, trace.events) == []
    return records


def with_magazine(line: Machine, holds: int) -> Machine:
    few = replace(line.feeders[0], inserts=replace(line.feeders[0].inserts, magazine=holds))
    return replace(line, feeders=(few,))


def test_an_empty_magazine_is_the_cause_whatever_rule_finds_out() -> None:
    # Inserts 0 to 2; carrier 2 closes at 1.06 s. The search ends at 1.46 s; with it off the line
    # goes on, and carriers 3 and 4, at 1.36 and 1.66 s, find nothing staged.
    (stop,) = run(with_magazine(hand_line(), 3)).stops[:1]
    assert (stop.rule, stop.cause, stop.time_s) == (
        Rule.NO_INSERT, "magazine_empty", pytest.approx(1.46),
    )  # fmt: skip
    rules = StopRules(no_insert=False, misses_in_a_row=2, clearing=RULES.clearing)
    records = run(with_magazine(hand_line(rules=rules), 3))
    stop = records.stops[0]
    assert (stop.rule, stop.cause, stop.carrier) == (Rule.MISSES_IN_A_ROW, "magazine_empty", 4)
    assert stop.time_s == pytest.approx(1.66)
    found = line_stops(records)
    assert found.by_cause["misses_in_a_row"]["magazine_empty"] >= 1
    assert ",misses_in_a_row,magazine_empty,0,4," in stops_csv(records).decode()


def test_an_insert_on_its_way_is_no_empty_magazine() -> None:
    # Carrier 0 closes at 0.46 s with insert 0; insert 1, the last of two, comes to the eye at
    # 0.55 s and is staged at 0.61 s. The point of carrier 1 is at 0.56 s: the magazine is empty by
    # then, but what costs the carrier is the cycle, as it does with a magazine that is not.
    rules = StopRules(no_insert=False, misses_in_a_row=1, clearing=RULES.clearing)
    for holds in (2, 9):
        line = with_magazine(hand_line(rules=rules), holds)
        line = replace(line, carriers=arriving(line.carriers, length_mm=80.0, pitch_mm=100.0))
        records = simulate(line, draws_of(line, [100.0, 200.0]), carriers=2)
        stop = records.stops[0]
        assert (stop.rule, stop.carrier, stop.cause, stop.time_s) == (
            Rule.MISSES_IN_A_ROW, 1, "not_staged", pytest.approx(0.56),
        )  # fmt: skip


def test_faults_are_the_cause_of_searches_that_end() -> None:
    for kind, more in (
        (FaultKind.NO_INSERT, {}),
        (FaultKind.EYE_DIRTY, {"carrier_eye": False, "duration_s": 60.0}),
    ):
        records = run(hand_line(faults=(PlannedFault(When(0.5), kind, **more),)))  # type: ignore[arg-type]
        stop = records.stops[0]
        assert (stop.rule, stop.cause) == (Rule.NO_INSERT, kind.value)


def test_the_cause_is_in_the_words_of_giving_up() -> None:
    line = with_magazine(hand_line(), 3)
    inserts = replace(line.feeders[0].inserts, magazine=1, refill_time_s=0.0)
    rules = replace(RULES, misses_in_a_row=1, no_insert=False)
    line = replace(line, feeders=(replace(line.feeders[0], inserts=inserts),),
                   supervision=replace(line.supervision, rules=rules))  # fmt: skip
    records = run(line)
    assert all(stop.cause == "magazine_empty" for stop in records.stops)


def test_what_falls_into_a_stop_is_told_with_it() -> None:
    # A jam at 0.7 s; the line stands until 6.2 s.
    kinds = [
        PlannedFault(When(0.7), FaultKind.CARRIER_JAM),
        PlannedFault(When(2.0), FaultKind.INSERT_JAM),
        PlannedFault(When(3.0), FaultKind.NO_INSERT),
        PlannedFault(When(3.5), FaultKind.EYE_DIRTY, carrier_eye=False, duration_s=1.0),
        PlannedFault(When(4.0), FaultKind.EMERGENCY_STOP),
        PlannedFault(When(20.0), FaultKind.EMERGENCY_STOP),
    ]
    records = run(hand_line(faults=tuple(kinds)))
    stop = records.stops[0]
    assert [(other.what, other.cause, other.feeder) for other in stop.within] == [
        ("jam", "insert_jam", 0),
        ("no_insert", "", 0),
        ("eye_dirty", "", 0),
        ("emergency_stop", "emergency_stop", -1),
    ]
    assert [other.time_s for other in stop.within] == pytest.approx([2.0, 3.0, 3.5, 4.0])
    assert all(not other.within for other in records.stops[1:])
    expected = {"emergency_stop": 1, "eye_dirty": 1, "jam": 1, "no_insert": 1}
    assert line_stops(records).within == expected
    row = stops_csv(records).decode().splitlines()[1]
    assert row.endswith(
        "jam:0=insert_jam@2.000000 no_insert:0@3.000000 eye_dirty:0@3.500000 "
        "emergency_stop@4.000000"
    )
    # every fault that came is there, as a stop or within one; put together they move along
    assert sum(1 + len(s.within) for s in records.stops) >= 5
    both = joined([records, records])
    later = [s for s in both.stops if s.within]
    assert len(later) == 2
    shift = later[1].time_s - later[0].time_s
    assert later[1].within[0].time_s == pytest.approx(2.0 + shift)


def test_two_of_one_instant_are_both_told_and_an_emergency_takes_the_power() -> None:
    kinds = (
        PlannedFault(When(0.7), FaultKind.CARRIER_JAM),
        PlannedFault(When(0.7), FaultKind.EMERGENCY_STOP),
    )
    line = hand_line(keeps_place=False, home_time_s=10.0, faults=kinds)
    for order in (kinds, kinds[::-1]):
        records = run(replace(line, supervision=replace(line.supervision, faults=order)))
        (stop,) = records.stops
        assert {stop.cause, *(other.cause for other in stop.within)} == {
            "carrier_jam",
            "emergency_stop",
        }
        assert "homed" in [step.step for step in stop.steps]


@pytest.mark.parametrize(
    ("normal", "emergency", "planned", "rest"),
    [
        # 1000 mm/s at 2000 and 4000 mm/s²
        (2000.0, 4000.0, [(0.7, FaultKind.EMERGENCY_STOP)], 0.7 + 0.25),
        (2000.0, None, [(0.7, FaultKind.EMERGENCY_STOP)], 0.7 + 0.5),
        (2000.0, 4000.0, [(0.7, FaultKind.CARRIER_JAM)], 0.7 + 0.5),
        # 0.2 s into a stop at 2000 mm/s² it runs at 600 mm/s still: harder, and not softer
        (2000.0, 4000.0, [(0.7, FaultKind.CARRIER_JAM), (0.9, FaultKind.EMERGENCY_STOP)], 1.05),
        (2000.0, 500.0, [(0.7, FaultKind.CARRIER_JAM), (0.9, FaultKind.EMERGENCY_STOP)], 1.2),
    ],
)
def test_an_emergency_stop_slows_down_as_it_is_asked_to(
    normal: float, emergency: float | None, planned: list[tuple[float, FaultKind]], rest: float
) -> None:
    rules = replace(RULES, stop_deceleration_mm_s2=normal, emergency_deceleration_mm_s2=emergency)
    kinds = tuple(PlannedFault(When(t), kind) for t, kind in planned)
    records = run(hand_line(rules=rules, faults=kinds))
    stop = records.stops[0]
    assert stop.at_rest_s == pytest.approx(rest, abs=1e-12)
    # at rest, cleared after 5 s, staged by then or by a jog of 1.2 s at most
    assert rest + 5.0 - 1e-9 <= stop.restarted_s <= rest + 5.0 + 1.3
    belt_mm = 700.0 + 1000.0**2 / 2.0 / (emergency or normal)
    if len(planned) == 1 and planned[0][1] is FaultKind.EMERGENCY_STOP:
        # carriers at 100 + 300·i: those before where the belt rests have come by then
        came = [t for t in records.carriers.eye_time_s.tolist() if t <= stop.at_rest_s + 1e-9]
        assert len(came) == sum(edge <= belt_mm for edge in EDGES)


def test_a_run_given_up_in_its_warm_up_shows_what_tripped_it() -> None:
    # every nose is staged past its limit, and every such strike jams: five stops, nothing counted
    base = hand_line()
    feeder = replace(base.feeders[0], nose_limit_mm=50.0)
    line = replace(
        base,
        feeders=(feeder,),
        supervision=replace(base.supervision, jam_probability=((Hazard.NOSE_STRIKE, 1.0),)),
    )
    records = replace(simulate(line, RunDraws(line, 1), carriers=40), warm_up=20)
    assert records.gave_up
    assert [stop.cause for stop in records.stops] == ["nose_strike"] * 5
    results = summarise(
        records, machine=line, criteria=CRITERIA, names=["a"], title="given up", seed=1
    )
    (found,) = results.feeders
    assert found.hazards.nose_strike.count == 5
    assert found.jam_risk.count == 5


def silent(limit_mm: float, edges: list[float], **more: object) -> RunRecords:
    line = hand_line(rules=replace(RULES, carrier_eye_silent_mm=limit_mm), **more)
    line = replace(line, controller=Controller(search_limit_mm=400.0))
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=len(edges))
    assert faults(line, records, trace.events) == []
    return records


def test_a_carrier_eye_that_shows_nothing_for_a_travel_stops_the_line() -> None:
    # 1000 mm/s. From the carrier at 400 mm to that at 1600 mm: 1000 mm are over at 1.4 s.
    edges = [100.0, 400.0, 1600.0, 1900.0]
    (stop,) = silent(1000.0, edges).stops
    assert (stop.rule, stop.cause, stop.feeder) == (Rule.CARRIER_EYE_SILENT, "", -1)
    assert stop.time_s == pytest.approx(1.4, abs=1e-12)
    # a travel that just holds, and what comes after the last carrier, stop nothing
    assert silent(1201.0, edges).stops == ()
    # from the start of the belt to the first carrier, at 900 mm
    (stop,) = silent(800.0, [900.0, 1200.0]).stops
    assert stop.time_s == pytest.approx(0.8, abs=1e-12)
    # at rest 1050 mm on and begun anew: 800 mm from there the carrier at 1900 mm is not there yet
    both = silent(800.0, [900.0, 2000.0]).stops
    assert [s.rule for s in both] == [Rule.CARRIER_EYE_SILENT] * 2
    assert both[1].time_s > both[0].restarted_s


def test_a_dirty_carrier_eye_is_found_out_and_cleaned() -> None:
    # dirty from 0.35 s on: the carrier at 100 mm is the last one seen, 700 mm on it is 0.8 s
    dirty = PlannedFault(When(0.35), FaultKind.EYE_DIRTY, duration_s=60.0)
    records = silent(700.0, EDGES, faults=(dirty,))
    (stop,) = records.stops
    assert (stop.rule, stop.cause) == (Rule.CARRIER_EYE_SILENT, "eye_dirty")
    assert stop.time_s == pytest.approx(0.8, abs=1e-12)
    # the belt rests at 1050 mm, the eye is cleaned: the carriers at 1300 mm and after are seen
    assert records.feeders[0].outcome.tolist()[4:] == [0, 0, 0, 0]


def test_a_silent_rule_that_holds_changes_nothing() -> None:
    one, other = silent(1e6, EDGES), silent(float("inf"), EDGES)
    assert repr(one) == repr(other)
