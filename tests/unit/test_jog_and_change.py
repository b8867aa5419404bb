"""Starting empty by jog, giving up a search, and a belt that changes in mid-run."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import fields, replace

import numpy as np
import pytest

from feedsim.arrivals import Paced
from feedsim.draws.line_draws import Phases, RunDraws
from feedsim.machine import (
    Carriers,
    Clutch,
    Controller,
    Encoder,
    Eye,
    Inserts,
    Line,
    Machine,
    Servo,
)
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import TraceEvent
from feedsim.simulation.clock import Order, Part, Steps
from feedsim.simulation.line import LineRun, simulate, simulate_traced
from feedsim.simulation.recorder import Tracer
from tests.machines import LAGGING, feeder, machine, settings, typed
from tests.random_machines import filtered_machine, random_machine
from tests.unit.written_draws import BeltChange, evenly, insert

EYE = Eye(response_s=0.0005, off_response_s=0.0005)
CARDS = Inserts(length_mm=90.0, gap_mm=70.0)
AT_ONCE = Controller()


def jogging(controller: Controller = AT_ONCE, **changes: object) -> Machine:
    """Return an empty line at 1000 mm/s, jog 100 mm/s, everything set by hand."""
    by_hand = typed(disengage_distance_mm=60.0)
    base = feeder(inserts=CARDS, eye=EYE, settings=by_hand, clutch=Clutch(settle_s=0.002))
    return machine(
        replace(base, **changes),  # type: ignore[arg-type]
        line=Line(1000.0, acceleration_mm_s2=2000.0),
        carriers=Carriers(Paced(210.0, 300.0)),
        carrier_eye=EYE,
        controller=controller,
        start_empty=True,
    )


def told(events: Sequence[TraceEvent], *names: str) -> list[tuple[float, str]]:
    return [(e.time_s, e.event) for e in events if e.event in names]


def test_an_empty_feeder_is_staged_by_jog() -> None:
    # The nose starts 70 mm (gap) before the eye and jogs at 100 mm/s: at the eye at 0.7 s,
    # switched at 0.7005 s with f = 70.05 mm. No ticks: known at once. Stage 60 mm on, less
    # jog speed · response: p_end = 70.05 + 60 − 0.05 = 130 mm, at 1.3 s. Ready 2 ms later, and
    # then the belt ramps to 1000 mm/s at 2000 mm/s².
    line = jogging()
    records, trace = simulate_traced(line, evenly(line, [600.0]), carriers=1)
    jog = told(trace.events, "jog_starts", "switches", "staged", "starts")
    expected = [(0.0, "jog_starts"), (0.7005, "switches"), (1.302, "staged"), (1.302, "starts")]
    assert [name for _, name in jog[:4]] == [name for _, name in expected]
    assert [t for t, _ in jog[:4]] == pytest.approx([t for t, _ in expected], abs=1e-12)
    assert records.start_time_s == pytest.approx(1.302, abs=1e-12)
    rows = records.feeders[0]
    assert rows.stage_position_mm[0] == pytest.approx(60.0, abs=1e-9)
    # The ramp takes 0.5 s and 250 mm. The carrier passes at m = 600: 1.302 + 0.5 + 0.35 s, is
    # seen 0.5 mm on, and the clutch closes at m = 600.5 + 359 = 959.5.
    assert records.carriers.eye_time_s[0] == pytest.approx(2.152, abs=1e-9)
    assert rows.engage_time_s[0] == pytest.approx(1.802 + 0.7095, abs=1e-9)
    # 60 mm to run (120 − 60): m = 1019.5 at the landing, 19.5 behind the leading edge.
    assert rows.offset_mm[0] == pytest.approx(19.5, abs=1e-9)
    assert rows.outcome[0] == Outcome.PLACED


def test_jog_with_ticks_stops_where_the_program_wants_it() -> None:
    # Scan 20 ms, phase 3 ms, eye scanned: the edge that switches at 0.7005 s is known and captured
    # at the tick 0.703 s, f = 70.3 mm; d = 0.5 ms + 10 ms, so p_end = 70.3 + 60 − 1.05 = 129.25 mm
    # at 1.2925 s (on no tick): 59.25 mm from the eye.
    line = jogging(Controller(scan_s=0.02, motion_cycle_s=0.01), eye=replace(EYE, scanned=True))
    draws = evenly(line, [600.0], phase=Phases(0.0, 0.003))
    records, trace = simulate_traced(line, draws, carriers=1)
    expected = [("switches", 0.7005), ("known", 0.703), ("staged", 1.2945), ("starts", 1.2945)]
    found = [(e.event, e.time_s) for e in trace.events if e.event in dict(expected)][:4]
    assert [event for event, _ in found] == [event for event, _ in expected]
    assert [t for _, t in found] == pytest.approx([t for _, t in expected], abs=1e-12)
    assert records.feeders[0].stage_position_mm[0] == pytest.approx(59.25, abs=1e-9)


def test_jog_that_is_already_too_far_stops_at_the_next_motion_tick() -> None:
    # Scan 0.5 s, phase 0: latched at f = 70.05, known at 1.0 s with p = 100 mm. A stage position of
    # 20 mm wants p_end = 70.05 + 20 − 0.05 = 90 mm: stop at the motion tick 1.0 s, stage 30 mm.
    line = jogging(Controller(scan_s=0.5, motion_cycle_s=0.25))
    typed = replace(line.feeders[0].settings, stage_position_mm=20.0)
    line = replace(line, feeders=(replace(line.feeders[0], settings=typed),))
    records, trace = simulate_traced(line, evenly(line, [600.0]), carriers=1)
    assert told(trace.events, "staged")[0][0] == pytest.approx(1.002, abs=1e-12)
    assert records.feeders[0].stage_position_mm[0] == pytest.approx(30.0, abs=1e-9)


def test_a_slow_servo_is_jogged_by_its_true_travel() -> None:
    # K = 20/s, k = 0: the feed lags the jog by v/K = 5 mm once settled (e^(−20·0.75) of it is
    # missing, 2e-6 mm), so the nose is at the eye at 0.75 s. p_end = f(0.7505) + 60 − 0.05 with
    # f = 70.05 mm: the command ends at 130 mm at 1.3 s, 60 mm from the eye.
    line = jogging(servo=Servo(loop_gain_per_s=20.0))
    records, trace = simulate_traced(line, evenly(line, [600.0]), carriers=1)
    assert told(trace.events, "switches")[0][0] == pytest.approx(0.7505, abs=1e-7)
    assert told(trace.events, "staged")[0][0] == pytest.approx(1.302, abs=1e-7)
    assert records.feeders[0].stage_position_mm[0] == pytest.approx(60.0, abs=1e-5)


def test_a_missed_insert_is_jogged_past_and_strays_in_no_row() -> None:
    # The second nose is one pitch (160 mm) after the first: at the eye at 2.3 s; stops at
    # p = 230 + 60 = 290 mm, 2.9 s.
    line = jogging()
    cards = [
        insert(0.0, length_mm=90.0, missed=True),
        insert(160.0, length_mm=90.0, delay_s=0.0005),
    ]
    draws = replace(evenly(line, [600.0]), insert_cards=[cards])
    records, trace = simulate_traced(line, draws, carriers=1)
    assert told(trace.events, "stray") == [(pytest.approx(0.7, abs=1e-12), "stray")]
    assert records.start_time_s == pytest.approx(2.902, abs=1e-12)
    rows = records.feeders[0]
    assert rows.insert[0] == 1
    assert rows.strays[0] == 0
    assert rows.books.strays == 1
    assert rows.books.drawn == 3  # stray, placed, and the next one staged
    assert rows.books.in_feeder == 1


def test_a_jog_that_finds_nothing_ends_at_the_search_limit() -> None:
    # 50 mm of feed travel at 100 mm/s: given up at 0.5 s, and the belt starts.
    line = jogging(Controller(search_limit_mm=50.0))
    records, trace = simulate_traced(line, evenly(line, [600.0, 900.0]), carriers=2)
    assert told(trace.events, "search_ends", "starts") == [(0.5, "search_ends"), (0.5, "starts")]
    assert records.start_time_s == 0.5
    assert records.feeders[0].outcome.tolist() == [Outcome.NO_INSERT] * 2
    assert records.feeders[0].books.drawn == 0


def test_the_belt_waits_for_the_slower_of_two_feeders() -> None:
    line = jogging()
    slow = replace(line.feeders[0], jog_speed_mm_s=50.0, eye_to_placement_mm=900.0)
    line = replace(line, feeders=(*line.feeders, slow))
    records = simulate(line, evenly(line, [600.0]), carriers=1)
    # 50 mm/s: 70 + 60 mm in 2.6 s (the response is taken off), and 2 ms to settle
    assert records.start_time_s == pytest.approx(2.602, abs=1e-12)


class AsksToJog(Part):
    """Asks whether a feeder may be jogged, at an instant."""

    def __init__(self, run: LineRun, t: float) -> None:
        super().__init__(run.clock)
        self._line, self._t = run, t
        self.answer: bool | None = None

    def run(self) -> Steps:
        yield self.clock.at(self._t, Order.MARK.of(9))
        self.answer = self._line.clutches[0].may_jog()


def test_jog_is_refused_while_closed_and_noted() -> None:
    # Closed from 0.4595 s (100.5 + 359 mm at 1000 mm/s) to 0.62 s: the next nose runs its 100 mm
    # to the eye by 0.5595 s, switches 0.5 ms later, and 60 mm after that the clutch opens.
    line = replace(jogging(), start_empty=False)
    for t, allowed in [(0.459, True), (0.46, False), (0.6199, False), (0.6201, True)]:
        tracer = Tracer()
        run = LineRun(line, evenly(line, [100.0]), carriers=1, tracer=tracer)
        asks = AsksToJog(run, t)
        run.parts.append(asks)
        run.run()
        assert asks.answer is allowed
        refused = [(e.time_s, e.part) for e in tracer.in_order() if e.event == "jog_refused"]
        assert refused == ([] if allowed else [(t, "feeder.0.clutch")])


def test_carriers_after_a_search_that_ended_get_no_insert() -> None:
    # The singulator draws nothing for the second to ninth pitch (a nose every 160 mm); the limit is
    # 300 mm of feed travel after the closing at 0.4595 s: the clutch opens at 0.7595 s.
    line = replace(jogging(Controller(search_limit_mm=300.0)), start_empty=False)
    cards = [insert(160.0 * i, length_mm=90.0, drawn=i in {0, 9}) for i in range(10)]
    draws = replace(evenly(line, [100.0, 410.0, 720.0]), insert_cards=[cards])
    records, trace = simulate_traced(line, draws, carriers=3)
    rows = records.feeders[0]
    assert rows.outcome.tolist() == [Outcome.PLACED, Outcome.NO_INSERT, Outcome.NO_INSERT]
    assert rows.opening_time_s[0] == pytest.approx(0.7595, abs=1e-12)
    assert math.isnan(rows.ready_time_s[0])
    assert rows.books.drawn == rows.books.placed == 1
    assert told(trace.events, "search_ends") == [(pytest.approx(0.7595), "search_ends")]


def test_an_insert_at_the_search_limit_is_still_found() -> None:
    # Nose at the eye at f = 100 mm, switched 0.5 mm on; found with a limit of 100.5 mm (the same
    # travel to 1e-9 mm), not with 100.4 mm.
    for limit, outcome in [(100.5, Outcome.PLACED), (100.4, Outcome.NO_INSERT)]:
        line = replace(jogging(Controller(search_limit_mm=limit)), start_empty=False)
        records = simulate(line, evenly(line, [100.0, 400.0]), carriers=2)
        assert records.feeders[0].outcome.tolist() == [Outcome.PLACED, outcome]


# -- a belt that changes in mid-run -----------------------------------------------------


def restless(**changes: object) -> Machine:
    """Return a line with all that a change of speed may disturb: filter, ramps, lag, delays."""
    busy = feeder(
        servo=replace(LAGGING, command_delay_s=0.004),
        clutch=Clutch(ramp_in=0.02, ramp_out=0.015, settle_s=0.003),
        settings=settings(stage_correction=True),
    )
    base = {
        "controller": Controller(scan_s=0.002, motion_cycle_s=0.001, speed_filter_s=0.01),
        "encoder": Encoder(0.05, 0.001),
        "carriers": Carriers(Paced(210.0, 260.0, pitch_sd_mm=3.0)),
        **changes,
    }
    return machine(base.pop("feeder", busy), **base)  # type: ignore[arg-type]


TRAVEL_RAMPS = feeder(
    servo=replace(LAGGING, command_delay_s=0.001),
    clutch=Clutch(travel_ramp=True, ramp_in=30.0, ramp_out=20.0, settle_s=0.001),
    eye=Eye(response_s=0.001, response_jitter_s=0.0005, scanned=True),
)
RIGID_STEPS = feeder(servo=Servo(command_delay_s=0.004), clutch=Clutch(settle_s=0.003))
RESTLESS = {
    "time ramps": restless(),
    "travel ramps": restless(feeder=TRAVEL_RAMPS, encoder=Encoder(0.313, -0.01)),
    "no ticks": restless(
        feeder=RIGID_STEPS, controller=Controller(not_ready_engages=True), encoder=Encoder()
    ),
    "counts, no ticks": restless(
        feeder=TRAVEL_RAMPS,
        encoder=Encoder(0.313),
        controller=Controller(speed_filter_s=0.03, late_mark_engages=True),
    ),
    "two feeders": machine(
        feeder(),
        replace(TRAVEL_RAMPS, eye_to_placement_mm=700.0),
        controller=Controller(scan_s=0.002, motion_cycle_s=0.001),
        carriers=Carriers(Paced(210.0, 260.0, pitch_sd_mm=3.0)),
    ),
}
CARRIERS = 4


def differences(a: RunRecords, b: RunRecords) -> list[str]:
    """Return the names of the columns that differ by more than 1e-9."""
    found = []
    for one, other in zip(a.feeders, b.feeders, strict=True):
        for f in fields(one):
            x, y = getattr(one, f.name), getattr(other, f.name)
            if f.name == "books":
                equal = x == y
            else:  # 1e-9 mm, s or mm/s; an acceleration is of the order of 1e5 mm/s²
                loose = 1e-12 if f.name == "demanded_acceleration_mm_s2" else 0.0
                equal = np.allclose(x, y, rtol=loose, atol=1e-9, equal_nan=True)
            if not equal:
                found.append(f.name)
    return found


def dip(t: float) -> list[tuple[float, float]]:
    """Return speed points: down to 300 mm/s, back to 1000 mm/s."""
    return [(t + 0.05, 300.0), (t + 0.12, 300.0), (t + 0.3, 1000.0)]


def halt(t: float) -> list[tuple[float, float]]:
    """Return speed points: to rest, rest, back to 1000 mm/s."""
    return [(t + 0.02, 0.0), (t + 0.12, 0.0), (t + 0.3, 1000.0)]


def surge(t: float) -> list[tuple[float, float]]:
    """Return speed points: within 1 ms to 600 mm/s, on to 1400 mm/s, and back."""
    return [(t + 0.001, 600.0), (t + 0.1, 1400.0), (t + 0.2, 1000.0)]


def run_changed(line: Machine, t: float, points: list[tuple[float, float]]) -> RunRecords:
    run = LineRun(line, RunDraws(line, 5), carriers=CARRIERS)
    run.parts.append(BeltChange(run, t, points))
    return run.run()


def run_known(line: Machine, t: float, points: list[tuple[float, float]]) -> RunRecords:
    v = line.line.speed_mm_s
    known = replace(line, line=replace(line.line, profile=((0.0, v), (t, v), *points)))
    return simulate(known, RunDraws(known, 5), carriers=CARRIERS)


def instants(line: Machine) -> list[float]:
    """Return every event time, midway between, and within the delays after the acts."""
    _, trace = simulate_traced(line, RunDraws(line, 5), carriers=CARRIERS)
    times = sorted({e.time_s for e in trace.events if e.time_s > 0.0})
    midway = [0.5 * (a + b) for a, b in itertools.pairwise(times)]
    delay, settle = line.feeders[0].servo.command_delay_s, line.feeders[0].clutch.settle_s
    acts = [e.time_s for e in trace.events if e.event in {"closes", "opens"}]
    staged = [e.time_s for e in trace.events if e.event == "staged"]
    within = [t + 0.4 * delay for t in acts] + [t + 1.4 * delay for t in acts]
    return [*times, *midway, *within, *(t - 0.4 * settle for t in staged)]


@pytest.mark.parametrize("name", RESTLESS)
@pytest.mark.parametrize("change", [dip, halt, surge], ids=["dip", "halt", "surge"])
def test_a_change_in_mid_run_is_the_same_as_a_profile(name: str, change: object) -> None:
    line = RESTLESS[name]
    wrong = {}
    for t in instants(line):
        points = change(t)  # type: ignore[operator]
        found = differences(run_changed(line, t, points), run_known(line, t, points))
        if found:
            wrong[t] = found
    assert wrong == {}


@pytest.mark.parametrize(
    ("block", "kind"), [*((block, random_machine) for block in range(4)), (4, filtered_machine)]
)
def test_a_change_in_mid_run_of_a_random_machine_is_the_same_as_a_profile(
    block: int, kind: Callable[[int], Machine]
) -> None:
    rng = np.random.default_rng(block)
    for seed in range(10 * block, 10 * block + 10):
        line = kind(seed)
        v = line.line.speed_mm_s
        line = replace(line, start_empty=False, line=replace(line.line, profile=()))
        for t in rng.choice(instants(line), 6).tolist():
            points = [(t + 0.02, 0.0), (t + 0.12, 0.3 * v), (t + 0.3, v)]
            found = differences(run_changed(line, t, points), run_known(line, t, points))
            assert found == [], (seed, t)


def test_a_planted_difference_of_the_curves_is_found() -> None:
    line = RESTLESS["time ramps"]
    known = run_known(line, 0.7, dip(0.7))
    assert differences(run_changed(line, 0.7, dip(0.7)), known) == []
    late = run_changed(line, 0.7, dip(0.7 + 1e-6))
    assert {"placement_time_s", "stage_position_mm", "tail_mm"} <= set(differences(late, known))


def test_several_changes_are_the_same_as_one_profile() -> None:
    line = RESTLESS["time ramps"]
    times = [0.41, 0.83, 1.02]
    run = LineRun(line, RunDraws(line, 5), carriers=CARRIERS)
    run.parts += [BeltChange(run, t, [(t + 0.1, v)]) for t, v in zip(times, _SPEEDS, strict=True)]
    points, before = [], 1000.0
    for t, v in zip(times, _SPEEDS, strict=True):
        points += [(t, before), (t + 0.1, v)]
        before = v
    known = replace(line, line=replace(line.line, profile=((0.0, 1000.0), *points)))
    expected = simulate(known, RunDraws(known, 5), carriers=CARRIERS)
    assert differences(run.run(), expected) == []


_SPEEDS = (700.0, 200.0, 950.0)


def test_a_change_that_changes_nothing_leaves_the_records_as_they_are() -> None:
    line = RESTLESS["time ramps"]
    plain = simulate(line, RunDraws(line, 5), carriers=CARRIERS)
    for t in instants(line):
        assert differences(run_changed(line, t, [(t, 1000.0)]), plain) == []


def test_a_change_during_the_jog_leaves_the_jog_alone() -> None:
    # the belt creeps from 0.3 s on although it should wait; the jog does not depend on it
    line = jogging()
    run = LineRun(line, evenly(line, [600.0]), carriers=1)
    run.parts.append(BeltChange(run, 0.3, [(0.4, 10.0)]))
    records = run.run()
    assert records.start_time_s == pytest.approx(1.302, abs=1e-12)
    assert records.feeders[0].stage_position_mm[0] == pytest.approx(60.0, abs=1e-9)
