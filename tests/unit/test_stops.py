"""What a stop does at each stage of a cycle, by hand, and what recovery makes of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Paced
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import (
    Carriers,
    Clearing,
    Clutch,
    Controller,
    DoubleCheck,
    Encoder,
    FaultKind,
    Inserts,
    Machine,
    PlannedFault,
    StopRules,
    Supervision,
    When,
)
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Rule
from feedsim.records.trace import TraceEvent
from feedsim.simulation.line import LineRun, simulate_traced
from feedsim.simulation.recorder import Tracer
from tests.machines import feeder, machine, settings
from tests.unit.test_stops_everywhere import BEFORE, Trips, faults
from tests.unit.written_draws import WrittenDraws, evenly, insert

LEADLESS = settings(
    engage_distance_mm=360.0,
    engage_lead_s=0.0,
    disengage_distance_mm=60.0,
    disengage_lead_s=0.0,
)
RULES = StopRules(no_insert=True, clearing=Clearing(5.0))
"""Deceleration 2000 mm/s²: from 1000 mm/s the belt rests after 0.5 s and 250 mm."""


def hand_line(**supervision: object) -> Machine:
    """Return a line at 1000 mm/s, rigid, without ticks, leads or counts; eyes answer at once.

    E = 360, U = 60, S = 120, stage 60, inserts every 150 mm: insert i at the eye at
    f = −60 + 150·i. A carrier at M closes at m = M + 360, lands 60 mm on; the next nose is at
    the eye 30 mm after that and the clutch opens 60 mm later: a cycle of 150 mm.
    """
    base = machine(
        feeder(
            inserts=Inserts(length_mm=90.0, gap_mm=60.0),
            settings=LEADLESS,
            eye=replace(feeder().eye, response_s=0.0),
        ),
        carriers=Carriers(Paced(210.0, 300.0)),
        carrier_eye=replace(feeder().eye, response_s=0.0),
    )
    supervision = {"rules": RULES, **supervision}
    return replace(base, supervision=Supervision(**supervision))  # type: ignore[arg-type]


class Draws(WrittenDraws):
    """Written draws that clear in the mean time and jam always."""

    def clearing_times(self, clearing):  # type: ignore[no-untyped-def]
        while True:
            yield clearing.mean_s

    def jams(self, feeder, hazard, *, probability):  # type: ignore[no-untyped-def]
        return lambda _: True


def draws_of(line: Machine, edges_mm: list[float]) -> Draws:
    plain = evenly(line, edges_mm)
    return Draws(plain.carrier_cards, plain.insert_cards, plain.phase, plain.pitches_mm)


def stopped_at(
    line: Machine, t: float, edges_mm: list[float], *, rule: Rule = Rule.JAM
) -> tuple[RunRecords, tuple[TraceEvent, ...]]:
    tracer = Tracer()
    run = LineRun(line, draws_of(line, edges_mm), carriers=len(edges_mm), tracer=tracer)
    run.parts.append(Trips(run, t, BEFORE, rule))
    records = run.run()
    assert faults(line, records, tracer.in_order()) == []
    return records, tracer.in_order()


def told(events: tuple[TraceEvent, ...], *names: str) -> list[tuple[str, float]]:
    return [(e.event, e.time_s) for e in events if e.event in names]


EDGES = [100.0, 400.0, 700.0, 1000.0]


def test_a_stop_with_an_insert_staged_keeps_it() -> None:
    # Carrier 0 closes at 0.46 s, opens 150 mm later at 0.61 s, staged at once (no ramp). Trip at
    # 0.7 s: m = 700. Carriers 0 (placed) and 1 (mark in memory: lost). Carrier 2's edge, at 700, is
    # at the eye at this instant and comes after the trip: kept. Rest at 1.2 s, m = 950; cleared at
    # 6.2 s; restart at once, 500 mm/s². Carrier 2's point: 1060, 110 mm on: √(2·110/500) s.
    records, events = stopped_at(hand_line(), 0.7, EDGES)
    (stop,) = records.stops
    assert (stop.time_s, stop.at_rest_s, stop.restarted_s) == pytest.approx((0.7, 1.2, 6.2))
    assert stop.lost == ((1,),)
    assert [(s.step, s.feeder) for s in stop.steps] == [("cleared", -1), ("kept", 0)]
    rows = records.feeders[0]
    assert rows.outcome.tolist() == [Outcome.PLACED, Outcome.LINE_STOP, *[Outcome.PLACED] * 2]
    assert rows.insert.tolist() == [0, -1, 1, 2]
    assert rows.engage_time_s[2] == pytest.approx(6.2 + math.sqrt(2.0 * 110.0 / 500.0))
    assert rows.offset_mm[[2, 3]] == pytest.approx([20.0, 20.0], abs=1e-9)
    assert rows.books.rejected == 0
    names = ("trips", "at_rest", "cleared", "kept", "restarts")
    assert told(events, *names) == [
        (name, pytest.approx(t)) for name, t in zip(names, (0.7, 1.2, 6.2, 6.2, 6.2), strict=True)
    ]


def test_an_insert_on_its_way_to_its_carrier_is_cleared_by_the_jog_of_the_next() -> None:
    # Closed at 0.46 s; trip at 0.5 s with f = 40: a step opens at once, f stays 40, nose 0 at 100.
    # Rest at 1.0 s; cleared at 6.0 s; the jog at 100 mm/s brings nose 1 (f = 90) to the eye 0.5 s
    # later and stages it 60 mm on: 7.1 s. Nose 0 is then at 210 mm, its tail at 120, past the grip
    # end. Carrier 1, eye at 400, was known before: lost. Carrier 2 at 700 comes in the run-out.
    records, events = stopped_at(hand_line(), 0.5, EDGES)
    (stop,) = records.stops
    assert stop.lost == ((0, 1),)
    assert stop.restarted_s == pytest.approx(7.1)
    assert [(s.step, s.inserts) for s in stop.steps] == [
        ("cleared", 0),
        ("inserts_cleared", 1),
        ("staged", 0),
    ]
    rows = records.feeders[0]
    assert rows.insert.tolist() == [0, -1, 1, 2]
    assert rows.outcome.tolist() == [Outcome.LINE_STOP] * 2 + [Outcome.PLACED] * 2
    assert rows.stage_position_mm[2] == pytest.approx(60.0)
    assert (rows.books.drawn, rows.books.rejected, rows.books.in_feeder) == (4, 1, 1)
    assert math.isnan(rows.opening_time_s[0])
    assert told(events, "jog_starts", "staged")[0] == ("jog_starts", pytest.approx(6.0))


def test_an_insert_half_way_to_the_stage_is_cleared_and_the_placed_one_stays_placed() -> None:
    # Nose 1 at the eye at f = 90: 0.55 s; opening point 0.61 s. Trip at 0.58 s, f = 120: insert 1
    # rests 30 mm past the eye, half fed. Insert 2's nose (f = 240) comes by jog: 1.2 s, and
    # 0.6 s to the stage.
    records, _ = stopped_at(hand_line(), 0.58, EDGES)
    (stop,) = records.stops
    assert records.feeders[0].outcome[0] == Outcome.PLACED
    assert stop.restarted_s == pytest.approx(0.58 + 0.5 + 5.0 + 1.8)
    books = records.feeders[0].books
    assert (books.rejected, books.strays, books.in_feeder) == (1, 0, 1)
    assert records.feeders[0].insert.tolist() == [0, -1, 2, 3]


def test_a_feed_that_runs_out_past_the_placement_point_places_nothing() -> None:
    # A ramp-out of 0.2 s: tripped at 0.5 s (nose 0 at 100 mm, carrier 0 ahead of it as it should
    # be) the feed runs on ∫ v·r dt: v = 1000 − 2000·s, r = 1 − s/0.2 for 0.2 s
    #   = 1000·0.2/2 − 2000·0.2²/6 = 86.67 mm: f = 126.67, past the landing at 60 and past nose 1
    # (f = 90), which nobody saw: both are taken out.
    line = hand_line()
    slow = replace(line.feeders[0], clutch=Clutch(ramp_out=0.2))
    records, events = stopped_at(replace(line, feeders=(slow,)), 0.5, EDGES)
    assert records.feeders[0].outcome[0] == Outcome.LINE_STOP
    jog = next(e for e in events if e.event == "jog_starts")
    assert jog.feed_mm == pytest.approx(40.0 + 100.0 - 2000.0 * 0.04 / 6.0)
    assert records.feeders[0].books.rejected == 2
    assert not [e for e in events if e.event == "lands" and e.time_s < records.stops[0].restarted_s]


def test_a_ramp_in_travel_that_the_resting_belt_leaves_undone_ends_in_recovery() -> None:
    # 400 mm of belt travel for the ramp-out, and the belt has 250 mm left: r = 1 − x/400,
    # f = 40 + 250 − 250²/800 = 211.875 at rest, r = 0.375. It must not creep on at the restart.
    line = hand_line()
    slow = replace(line.feeders[0], clutch=Clutch(travel_ramp=True, ramp_out=400.0))
    records, events = stopped_at(replace(line, feeders=(slow,)), 0.5, EDGES[:2])
    jog = next(e for e in events if e.event == "jog_starts")
    assert jog.feed_mm == pytest.approx(211.875)
    assert records.feeders[0].books.rejected == 2
    assert records.stops[0].restarted_s == pytest.approx(
        1.0 + 5.0 + (240.0 - 211.875 + 60.0) / 100.0
    )


def test_incremental_and_absolute_encoders_after_an_emergency_stop() -> None:
    for keeps, home, served in [(False, 10.0, Outcome.LINE_STOP), (True, 0.0, Outcome.PLACED)]:
        line = hand_line(keeps_place=keeps, home_time_s=10.0)
        records, events = stopped_at(line, 0.7, EDGES, rule=Rule.EMERGENCY_STOP)
        assert records.feeders[0].outcome[2] == served
        assert records.stops[0].restarted_s == pytest.approx(6.2 + home)
        assert bool(told(events, "homed")) is not keeps
    # any other stop leaves the power on
    line = hand_line(keeps_place=False, home_time_s=10.0)
    records, _ = stopped_at(line, 0.7, EDGES)
    assert records.feeders[0].outcome[2] == Outcome.PLACED
    assert records.stops[0].restarted_s == pytest.approx(6.2)


def test_a_profile_goes_on_after_a_stop_where_it_was() -> None:
    # 1000 mm/s to 2 s, then down to 500 mm/s within 1 s. Tripped at 0.7 s for good until 6.2 s, up
    # again by 8.2 s: the slowing begins 1.3 s later, at 9.5 s.
    line = hand_line()
    line = replace(line, line=replace(line.line, profile=((0.0, 1e3), (2.0, 1e3), (3.0, 500.0))))
    run = LineRun(line, draws_of(line, [*EDGES, 9000.0]), carriers=5)
    run.parts.append(Trips(run, 0.7, BEFORE, Rule.JAM))
    run.run()
    belt = run.conveyor.master.belt
    times = (0.95, 1.2, 6.2, 7.2, 8.2, 9.5, 10.0, 10.5, 11.0)
    speeds = (500.0, 0.0, 0.0, 500.0, 1000.0, 1000.0, 750.0, 500.0, 500.0)
    assert [belt.speed(t) for t in times] == pytest.approx(speeds)


def test_a_mark_whose_point_is_passed_at_the_restart_is_lost() -> None:
    # E = 100: the carrier at 750 comes 50 mm after the trip at 0.7 s and has its point at 850; the
    # belt rests at 950. The one at 900 has it at 1000, ahead.
    line = hand_line()
    near = replace(
        line.feeders[0],
        eye_to_placement_mm=140.0,
        settings=replace(LEADLESS, engage_distance_mm=100.0),
    )
    line = replace(line, feeders=(near,), carriers=Carriers(Paced(100.0, 150.0)))
    records, _ = stopped_at(line, 0.7, [100.0, 300.0, 750.0, 900.0])
    assert records.stops[0].lost == ((2,),)
    assert records.feeders[0].outcome[3] == Outcome.PLACED


def test_one_of_two_feeders_stops_both_and_each_loses_its_own() -> None:
    # D = 400 and 1000. At 0.75 s feeder 0 has placed carrier 0, closes for carrier 1 at 0.76 s:
    # carriers 1 and 2 are in its memory. Feeder 1 has 0, 1 and 2 in its memory.
    line = hand_line()
    far = replace(
        line.feeders[0],
        eye_to_placement_mm=1000.0,
        settings=replace(LEADLESS, engage_distance_mm=960.0),
    )
    records, _ = stopped_at(replace(line, feeders=(*line.feeders, far)), 0.75, EDGES)
    assert records.stops[0].feeder == 0
    assert records.stops[0].lost == ((1, 2), (0, 1, 2))
    assert [rows.books.rejected for rows in records.feeders] == [0, 0]
    assert [(s.step, s.feeder) for s in records.stops[0].steps][1:] == [("kept", 0), ("kept", 1)]


# -- rules -------------------------------------------------------------------------------


def test_a_search_that_ends_trips_and_staged_again_the_line_runs() -> None:
    # The singulator draws nothing on pitches 1 to 3 (150 mm each); limit 300 mm after the closing
    # at 0.46 s: 0.76 s, at f = 300. Nose 4 at f = 540: 2.4 s of jog and 0.6 s to the stage.
    line = hand_line()
    line = replace(line, controller=Controller(search_limit_mm=300.0))
    cards = [insert(150.0 * i, length_mm=90.0, drawn=i not in {1, 2, 3}) for i in range(6)]
    plain = draws_of(line, EDGES)
    draws = Draws(plain.carrier_cards, [cards], plain.phase, (150.0,))
    records, trace = simulate_traced(line, draws, carriers=4)
    (stop,) = records.stops
    assert (stop.rule, stop.feeder, stop.carrier) == (Rule.NO_INSERT, 0, 0)
    assert stop.time_s == pytest.approx(0.76)
    assert stop.restarted_s == pytest.approx(0.76 + 0.5 + 5.0 + 3.0)
    assert records.feeders[0].insert.tolist() == [0, -1, -1, 4]
    assert faults(line, records, trace.events) == []


def test_three_clearings_in_vain_end_the_run() -> None:
    line = replace(hand_line(), controller=Controller(search_limit_mm=300.0))
    cards = [insert(150.0 * i, length_mm=90.0, drawn=i == 0) for i in range(30)]
    plain = draws_of(line, [100.0, 450.0, 800.0, 1150.0])
    draws = Draws(plain.carrier_cards, [cards], plain.phase, (150.0,))
    records, trace = simulate_traced(line, draws, carriers=4)
    assert records.gave_up == "no insert came to feeder 0 within the search limit, 3 times"
    # 0.76 + 0.5 s, then three times 5 s and 300 mm at 100 mm/s
    assert records.end_time_s == pytest.approx(1.26 + 3 * 8.0)
    assert math.isnan(records.stops[0].restarted_s)
    assert records.feeders[0].outcome.tolist() == [Outcome.PLACED] + [Outcome.LINE_STOP] * 3
    assert [s.step for s in records.stops[0].steps].count("search_failed") == 3
    assert faults(line, records, trace.events) == []


def test_misses_in_a_row_are_counted_by_the_program() -> None:
    # Carriers every 120 mm, a cycle of 150 mm: each second one is missed, not staged; with four at
    # 60 mm and less two in a row are.
    edges = [100.0, 220.0, 340.0, 400.0, 460.0, 900.0]
    line = hand_line(rules=replace(RULES, misses_in_a_row=2))
    line = replace(line, carriers=Carriers(Paced(30.0, 120.0)))
    line = replace(
        line,
        feeders=(replace(line.feeders[0], settings=replace(LEADLESS, target_offset_mm=20.0)),),
    )
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=6)
    (stop,) = records.stops
    # 0 closes at 0.46, 1 missed at 0.58, 2 closes at 0.7, 3 missed at 0.76, 4 missed at 0.82 s
    assert (stop.rule, stop.cause, stop.carrier) == (Rule.MISSES_IN_A_ROW, "not_staged", 4)
    assert stop.time_s == pytest.approx(0.82)
    assert faults(line, records, trace.events) == []


def test_a_double_that_is_called_one_is_taken_out_before_it_is_staged() -> None:
    called = insert(150.0, length_mm=100.0, double_mm=10.0)._replace(called_double=True)
    alarm = insert(310.0, length_mm=90.0)._replace(called_double=True)
    cards = [insert(0.0, length_mm=90.0), called, alarm, insert(460.0, length_mm=90.0)]
    line = hand_line()
    check = replace(line.feeders[0], double_check=DoubleCheck(stops=True))
    for stops in (
        replace(line, feeders=(check,)),
        hand_line(rules=replace(RULES, double_found=True)),
    ):
        plain = draws_of(stops, EDGES)
        draws = Draws(plain.carrier_cards, [cards], plain.phase, (150.0,))
        records, trace = simulate_traced(stops, draws, carriers=4)
        (stop,) = records.stops
        assert (stop.rule, stop.cause) == (Rule.DOUBLE_FOUND, "double")
        assert stop.time_s == pytest.approx(0.55)  # nose 1 at the eye
        # the double and, on the jog, the false alarm: insert 3 is the next to be placed
        assert records.feeders[0].insert.tolist()[2:] == [3, 4]
        books = records.feeders[0].books
        assert (books.rejected, books.second_halves) == (2, 1)
        assert faults(stops, records, trace.events) == []


def test_an_eye_that_is_blocked_for_too_long_trips() -> None:
    # The carrier eye's output goes off 0.5 ms after a trailing edge: carriers 0 to 2 follow each
    # other at 210.2 mm, 0.2 mm apart, and merge: on from m = 100 to 730.4 mm. 300 mm are over at
    # 0.4 s.
    line = hand_line(rules=replace(RULES, carrier_eye_blocked_mm=300.0))
    edges = [100.0, 310.2, 520.4, 1300.0]
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=4)
    (stop,) = records.stops
    assert (stop.rule, stop.time_s) == (Rule.CARRIER_EYE_BLOCKED, pytest.approx(0.4))
    assert faults(line, records, trace.events) == []
    free = hand_line(rules=replace(RULES, carrier_eye_blocked_mm=631.0))
    assert simulate_traced(free, draws_of(free, edges), carriers=4)[0].stops == ()


def test_an_insert_eye_is_blocked_by_travel_never_by_time() -> None:
    # Inserts of 90 mm: 100 mm trips never, however long they wait over the eye. One of 190 mm
    # (two that hang together) does: on from f = 90; 100 mm on is f = 190.
    rule = replace(RULES, insert_eye_blocked_mm=100.0)
    line = hand_line(rules=rule)
    edges = [100.0, 1000.0, 1900.0]
    assert simulate_traced(line, draws_of(line, edges), carriers=3)[0].stops == ()
    long = insert(150.0, length_mm=190.0)
    cards = [insert(0.0, length_mm=90.0), long, insert(400.0, length_mm=90.0)]
    plain = draws_of(line, edges)
    draws = Draws(plain.carrier_cards, [cards], plain.phase, (150.0,))
    records, trace = simulate_traced(line, draws, carriers=3)
    # staged at f = 150, engaged for carrier 1 at m = 1360 s; 40 mm on it has been on for 100 mm
    (stop,) = records.stops
    assert (stop.rule, stop.time_s) == (Rule.INSERT_EYE_BLOCKED, pytest.approx(1.4))
    assert faults(line, records, trace.events) == []


def test_a_drive_that_is_asked_too_much_trips_at_the_tick() -> None:
    # Ramp-in 10 ms at 1000 mm/s: 100 m/s². 100.1 m/s² can, 99.9 cannot.
    for can, stops in [(100_100.0, 0), (99_900.0, 1)]:
        line = hand_line(rules=replace(RULES, drive_overload=True))
        weak = replace(
            line.feeders[0],
            clutch=Clutch(ramp_in=0.01, ramp_out=0.02),
            servo=replace(line.feeders[0].servo, max_acceleration_mm_s2=can),
        )
        line = replace(line, feeders=(weak,))
        records, _ = simulate_traced(line, draws_of(line, [100.0]), carriers=1)
        assert len(records.stops) == stops
        if stops:
            assert records.stops[0].time_s == pytest.approx(0.46)
            assert records.feeders[0].outcome[0] == Outcome.LINE_STOP


def test_a_line_that_only_trips_ends_with_a_statement() -> None:
    line = hand_line(rules=replace(RULES, drive_overload=True))
    weak = replace(
        line.feeders[0], servo=replace(line.feeders[0].servo, max_acceleration_mm_s2=1.0)
    )
    line = replace(line, feeders=(weak,))
    edges = [100.0 + 300.0 * i for i in range(60)]
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=60)
    assert len(records.stops) == 5
    assert records.gave_up.startswith("5 stops in a row without an insert placed")
    assert records.feeders[0].outcome.tolist() == [Outcome.LINE_STOP] * 60
    assert np.isnan(records.carriers.eye_time_s[-1])
    assert np.isfinite(records.carriers.eye_time_s[0])
    assert faults(line, records, trace.events) == []


# -- planned faults --------------------------------------------------------------------


def planned(kind: FaultKind, when: When, **more: object) -> tuple[RunRecords, Machine]:
    line = hand_line(faults=(PlannedFault(when, kind, **more),))  # type: ignore[arg-type]
    line = replace(line, controller=Controller(search_limit_mm=400.0))
    edges = [100.0 + 300.0 * i for i in range(8)]
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=8)
    assert faults(line, records, trace.events) == []
    return records, line


def test_a_jam_at_a_time_and_at_a_carrier() -> None:
    for when, t in [(When(0.7), 0.7), (When(carrier=2), 0.7)]:
        records, _ = planned(FaultKind.CARRIER_JAM, when)
        (stop,) = records.stops
        assert (stop.rule, stop.cause, stop.feeder) == (Rule.JAM, "carrier_jam", -1)
        assert stop.time_s == pytest.approx(t, abs=1e-12)


def test_an_insert_jam_spoils_what_is_staged() -> None:
    records, _ = planned(FaultKind.INSERT_JAM, When(0.7))
    assert records.stops[0].feeder == 0
    assert records.feeders[0].books.rejected == 1
    assert 1 not in records.feeders[0].insert.tolist()


def test_a_singulator_that_draws_nothing_until_the_line_is_cleared() -> None:
    # From 0.7 s on. Insert 1 is staged; carrier 1 closes at 0.76 s, and 400 mm on nothing has come:
    # 1.16 s, f = 550. The next nose is then a gap of 60 mm before the eye: 0.6 + 0.6 s of jog.
    records, _ = planned(FaultKind.NO_INSERT, When(0.7))
    (stop,) = records.stops
    assert (stop.rule, stop.time_s) == (Rule.NO_INSERT, pytest.approx(1.16))
    assert stop.restarted_s == pytest.approx(1.16 + 0.5 + 5.0 + 1.2)
    assert records.feeders[0].insert.tolist()[:2] == [0, 1]
    assert records.feeders[0].outcome[-1] == Outcome.PLACED


def test_a_dirty_carrier_eye_sees_nothing_for_a_while() -> None:
    # From 0.35 to 0.75 s: the carriers at 400 and 700.
    records, _ = planned(FaultKind.EYE_DIRTY, When(0.35), duration_s=0.4)
    outcomes = records.feeders[0].outcome.tolist()
    assert outcomes[:4] == [Outcome.PLACED, Outcome.NOT_SEEN, Outcome.NOT_SEEN, Outcome.PLACED]
    assert records.stops == ()


def test_a_dirty_insert_eye_lets_inserts_stray_until_supervision_finds_out() -> None:
    # From 0.5 s on: noses 1 to 3 at f = 90, 240, 390 go by; the limit, f = 400, is at 0.86 s.
    records, _ = planned(FaultKind.EYE_DIRTY, When(0.5), carrier_eye=False, duration_s=60.0)
    assert records.stops[0].rule == Rule.NO_INSERT
    assert records.stops[0].time_s == pytest.approx(0.86)
    assert records.feeders[0].books.strays == 3
    assert len(records.stops) == 1  # cleaned as the line was cleared


# -- the magazine ------------------------------------------------------------------------


def test_a_magazine_runs_empty_and_is_filled_while_the_line_stands() -> None:
    # Three inserts: 0, 1 and 2. Carrier 2 closes at 1.06 s with insert 2; nothing comes for 400 mm:
    # 1.46 s. At rest 1.96, cleared 6.96, filled 36.96 s; a gap of 60 mm and the stage: 38.16 s.
    line = hand_line()
    few = replace(line.feeders[0], inserts=replace(line.feeders[0].inserts, magazine=3))
    line = replace(line, feeders=(few,), controller=Controller(search_limit_mm=400.0))
    edges = [100.0 + 300.0 * i for i in range(8)]
    records, trace = simulate_traced(line, draws_of(line, edges), carriers=8)
    stop = records.stops[0]
    assert (stop.rule, stop.time_s) == (Rule.NO_INSERT, pytest.approx(1.46))
    assert [s.step for s in stop.steps] == ["cleared", "refilled", "staged"]
    assert stop.restarted_s == pytest.approx(38.16)
    assert faults(line, records, trace.events) == []
    assert records.feeders[0].insert.tolist()[:3] == [0, 1, 2]


def test_a_warning_in_time_keeps_the_line_running() -> None:
    # One insert every 0.3 s, taken as the one before comes to the eye; filling takes 1.1 s. With
    # three left the fourth from then on is wanted 1.2 s later: in time. With one left the second is
    # wanted 0.6 s later; the search for it begins 0.21 s after that and ends within 0.1 s.
    for warning, stops in [(3, 0), (1, 1)]:
        line = hand_line()
        some = replace(line.feeders[0].inserts, magazine=6, warning=warning, refill_time_s=1.1)
        line = replace(
            line,
            feeders=(replace(line.feeders[0], inserts=some),),
            controller=Controller(search_limit_mm=100.0 if stops else 400.0),
        )
        edges = [100.0 + 300.0 * i for i in range(10)]
        records, trace = simulate_traced(line, draws_of(line, edges), carriers=10)
        assert (len(records.stops) > 0) is bool(stops)
        assert told(trace.events, "warns")
        assert faults(line, records, trace.events) == []


def test_the_same_seed_gives_the_same_stops() -> None:
    line = replace(hand_line(), encoder=Encoder(0.05))
    jams = replace(line.supervision, rules=replace(RULES, clearing=Clearing(5.0, exponential=True)))
    line = replace(
        line, supervision=replace(jams, faults=(PlannedFault(When(0.7), FaultKind.CARRIER_JAM),))
    )
    one = simulate_traced(line, RunDraws(line, 3), carriers=20)[0]
    two = simulate_traced(line, RunDraws(line, 3), carriers=20)[0]
    other = simulate_traced(line, RunDraws(line, 4), carriers=20)[0]
    assert repr(one) == repr(two)
    assert one.stops[0].restarted_s != other.stops[0].restarted_s


def test_an_emergency_stop_of_a_line_that_stands_takes_the_power_too() -> None:
    # A jam at 0.7 s; the power goes at 3 s: the kept mark of carrier 2 is lost, and home is found.
    jam = PlannedFault(When(0.7), FaultKind.CARRIER_JAM)
    emergency = PlannedFault(When(3.0), FaultKind.EMERGENCY_STOP)
    for faults_, restarted, outcome in [
        ((jam,), 6.2, Outcome.PLACED),
        ((jam, emergency), 16.2, Outcome.LINE_STOP),
    ]:
        line = hand_line(keeps_place=False, home_time_s=10.0, faults=faults_)
        records, trace = simulate_traced(line, draws_of(line, EDGES), carriers=4)
        (stop,) = records.stops
        assert stop.rule is Rule.JAM
        assert stop.restarted_s == pytest.approx(restarted)
        assert records.feeders[0].outcome[2] == outcome
        assert faults(line, records, trace.events) == []
