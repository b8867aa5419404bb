"""The timing diagram: lines meet where inserts land, and outputs hold as long as cards last."""

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.run.timing.curves import insert_paths, target_paths
from feedsim.answers.run.timing.events import (
    carrier_eye_output,
    insert_eye_output,
    instants,
    program_input,
    scans,
)
from feedsim.answers.run.timing.figure import timing_figure
from feedsim.answers.run.timing.lanes import steps
from feedsim.answers.run.timing.view import carriers_around, view_of
from feedsim.arrivals import Paced
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Eye, Inserts, Line, Machine
from feedsim.records.outcome import Outcome
from feedsim.render.canvas import render
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs
from feedsim.running.run import machine_of, trace
from feedsim.simulation.line import simulate, simulate_traced
from tests.machines import LAGGING, NOISY_EYE, feeder, machine, settings
from tests.random_machines import random_machine

S_MM = 120.0
SCENARIOS = Path(__file__).parents[2] / "scenarios"
RAMPS = Clutch(ramp_in=0.02, ramp_out=0.02)
IDEAL = Eye()


def ideal(**changes: object) -> Machine:
    """Return a line at 1000 mm/s without noise, ticks or counts: inserts land on target."""
    one = feeder(eye=IDEAL, clutch=RAMPS)
    return machine(one, **({"carrier_eye": IDEAL} | changes))


def noisy(*, feeders: int = 1, **changes: object) -> Machine:
    """Return a line with everything random, ticks and counts, and some missed carriers."""
    inserts = Inserts(
        85.6, 70.0, gap_sd_mm=2.0, slip_mm=0.3, slip_sd_mm=0.1, double=0.02, misfeed=0.1
    )
    fed = [
        feeder(
            eye=replace(NOISY_EYE, missed=0.02),
            clutch=RAMPS,
            servo=LAGGING,
            inserts=inserts,
            eye_to_placement_mm=400.0 + 130.0 * i,
        )
        for i in range(feeders)
    ]
    base: dict[str, object] = {
        "carriers": Carriers(Paced(210.0, 260.0, pitch_sd_mm=2.0), slip_mm=0.2, slip_sd_mm=0.1),
        "carrier_eye": replace(NOISY_EYE, missed=0.05),
        "controller": Controller(scan_s=0.002, motion_cycle_s=0.001),
        "encoder": Encoder(0.05, 0.001),
    }
    return machine(*fed, **(base | changes))


def nothing_placed() -> Machine:
    return ideal(carrier_eye=Eye(missed=1.0))


def traced(line: Machine, *, carriers: int, carrier: int, seed: int = 1):
    draws = RunDraws(line, seed)
    return simulate_traced(line, draws, carriers=carriers, around=carriers_around(line, carrier))


def view(line: Machine, *, carriers: int = 30, carrier: int = 12, number: int = 0):
    records, trace = traced(line, carriers=carriers, carrier=carrier)
    return view_of(line, records, trace, feeder=number, carrier=carrier)


def draw(line: Machine, *, carriers: int = 30, carrier: int = 12, number: int = 0, **more):
    records, trace = traced(line, carriers=carriers, carrier=carrier)
    figure = timing_figure(
        line, records, trace, feeder=number, carrier=carrier, title="Sample card", **more
    )
    return figure, records


def line_of(axes, gid):
    (found,) = [line for line in axes.lines if line.get_gid() == gid]
    return np.asarray(found.get_xdata()), np.asarray(found.get_ydata())


def placed_in(axes):
    """Return the carriers whose target and nose are both drawn up to the landing."""
    drawn = {str(line.get_gid()) for line in axes.lines}
    numbers = {gid.removeprefix("nose-") for gid in drawn if gid.startswith("nose-")}
    return sorted(map(int, numbers - {"unused"}))


# -- nose and target -----------------------------------------------------------------


@pytest.mark.parametrize(("units", "factor"), [("metric", 1.0), ("inch", 1 / 25.4)])
def test_nose_and_target_meet_at_the_landing(units, factor):
    figure, records = draw(ideal(), units=units)
    axes, met = figure.axes[-1], 0
    start = records.carriers.eye_time_s[12]
    for k in placed_in(axes):
        lands_ms = (records.feeders[0].placement_time_s[k] - start) * 1e3
        if lands_ms > axes.get_xlim()[1]:
            continue
        (nose_t, nose), (target_t, target) = (line_of(axes, f"{w}-{k}") for w in ("nose", "target"))
        assert nose_t[-1] == pytest.approx(lands_ms, abs=1e-6)
        assert target_t[-1] == pytest.approx(lands_ms, abs=1e-6)
        assert nose[-1] == pytest.approx(S_MM * factor, abs=1e-6)
        assert target[-1] == pytest.approx(nose[-1], abs=1e-6)
        met += 1
    assert met >= 2


def test_with_noise_they_are_apart_by_the_placement_error():
    figure, records = draw(noisy())
    axes, rows, met = figure.axes[-1], records.feeders[0], 0
    for k in placed_in(axes):
        lands_ms = (rows.placement_time_s[k] - records.carriers.eye_time_s[12]) * 1e3
        if lands_ms < axes.get_xlim()[1]:
            (_, nose), (_, target) = (line_of(axes, f"{w}-{k}") for w in ("nose", "target"))
            assert nose[-1] == pytest.approx(S_MM, abs=1e-6)
            assert target[-1] - nose[-1] == pytest.approx(rows.placement_error_mm[k], abs=1e-6)
            met += abs(rows.placement_error_mm[k]) > 0.01
    assert met >= 1


@pytest.mark.parametrize("seed", range(40))
def test_in_any_machine_noses_never_go_back_and_end_at_the_placement_point(seed):
    """Over wild machines: what the curves promise, from the records they were not made of."""
    line = random_machine(seed)
    records, trace = traced(line, carriers=25, carrier=9, seed=seed)
    for number, what in enumerate(line.feeders):
        seen = view_of(line, records, trace, feeder=number, carrier=9)
        rows, reach = records.feeders[number], what.insert_eye_to_placement_mm
        paths = insert_paths(seen)
        for path in paths:
            # back only once, if at all: by its slip as the clutch closes
            assert sum(b - a < -1e-6 for a, b in pairwise(path.nose.values)) <= 1
            lands = rows.placement_time_s[path.carrier]
            if seen.from_s < lands <= seen.to_s:
                assert path.nose.times_s[-1] == lands
                # staged beyond the placement point it lands as the clutch closes, where the lag
                # has left it
                left = seen.feed.command(lands) - seen.feed.position(lands)
                end = reach if lands > path.closes_s else path.stage_mm - left
                assert path.nose.values[-1] == pytest.approx(end, abs=1e-6)
        targets = {t.carrier: t for t in target_paths(seen, low_mm=-50.0, high_mm=reach + 50.0)}
        for k, target in targets.items():
            lands = rows.placement_time_s[k]
            if seen.from_s < lands <= seen.to_s:
                gap = target.curve.values[-1] - reach
                assert gap == pytest.approx(rows.placement_error_mm[k], abs=1e-6)


def test_the_staged_nose_rests_at_the_stage_position_until_the_clutch_closes():
    seen = view(noisy())
    rows = seen.rows
    for path in insert_paths(seen):
        closes, stage = rows.engage_time_s[path.carrier], rows.stage_position_mm[path.carrier]
        at = [v for t, v in zip(*path.nose, strict=True) if path.staged_s + 0.05 < t < closes]
        assert at == pytest.approx([stage] * len(at), abs=0.01)  # the lag has died out
        if path.tail.times_s:
            assert path.tail.values[-1] == pytest.approx(rows.tail_mm[path.carrier], abs=1e-9)


def test_an_ideal_insert_by_hand():
    """At 1000 mm/s, v·T/2 = 10 mm are lost to a ramp of 20 ms, so 60 mm take 70 ms.

    Carrier at its landing has come D + target = 420 mm: 420 ms after the eye. The clutch
    closed 70 ms before; the nose of the next insert is at its eye when the feed has run
    gap + length = 155.6 mm less the 60 mm that the insert before it was staged at: 95.6 mm
    and the 10 mm of the ramp after the closing.
    """
    found = {i.label: (i.time_s - 0.0) for i in instants(view(ideal(), carrier=12))}
    zero = found["carrier\nat eye"]
    since = {label.replace("\n", " "): (t - zero) * 1e3 for label, t in found.items()}
    assert since == pytest.approx(
        {
            "carrier at eye": 0.0,
            "mark captured": 0.0,
            "mark known": 0.0,
            "clutch closes": 350.0,
            "insert lands": 420.0,
            "next insert seen": 350.0 + 95.6 + 10.0,
            "clutch opens": 350.0 + 95.6 + 10.0 + 50.0,  # 60 mm less 10 mm of the ramp-out
            "next insert staged": 350.0 + 95.6 + 10.0 + 50.0 + 20.0,
        },
        abs=1e-6,
    )


# -- eyes ----------------------------------------------------------------------------


def test_the_carrier_eye_is_blocked_while_a_carrier_passes():
    seen = view(ideal(carrier_eye=Eye(response_s=0.003, off_response_s=0.005)))
    eye = seen.records.carriers.eye_time_s
    whole = [b for b in carrier_eye_output(seen) if seen.from_s < b.from_s and b.to_s < seen.to_s]
    assert [b.number for b in whole] == [12, 13]
    for number, since, until in whole:
        assert since - eye[number] == pytest.approx(0.003, abs=1e-9)
        assert until - eye[number] == pytest.approx(0.210 + 0.005, abs=1e-9)  # length/v + off


def test_a_merged_carrier_holds_the_output_on():
    close = Carriers(Paced(210.0, 214.0))  # 4 ms apart, the output takes 5 ms to go off
    seen = view(ideal(carriers=close, carrier_eye=Eye(off_response_s=0.005)))
    (one,) = carrier_eye_output(seen)
    assert (one.from_s, one.to_s) == (seen.from_s, seen.to_s)
    assert Outcome.MERGED in seen.rows.outcome


def test_what_the_program_has_of_a_polled_eye_begins_and_ends_at_scans():
    # 1000 mm/s: on from 1 ms after the edge to 210 ms, so the input from 16 to 225; each at the
    # next scan
    seen = view(polled())
    runs, eye = carrier_eye_runs(seen), seen.machine.carrier_eye
    looks, known = scans(seen, eye), [e for e in seen.trace.events if e.event == "known"]
    at = {e.carrier: e.time_s for e in known if e.part == "carrier_eye"}
    found = [b for b in program_input(seen, eye, runs) if seen.from_s < b.from_s]
    assert len(found) > 1
    for number, since, until in found:
        run = next(b for b in runs if b.number == number)
        assert since == pytest.approx(at[number], abs=1e-9)
        assert 0.0 <= since - run.from_s - 0.015 < 0.012
        assert min(abs(since - t) for t in looks) < 1e-9
        if until < seen.to_s:
            assert 0.0 <= until - run.to_s - 0.015 < 0.012
            assert min(abs(until - t) for t in looks) < 1e-9


def test_a_gap_that_a_filter_bridges_is_drawn_in_the_output_only():
    close = Carriers(Paced(210.0, 214.0))
    seen = view(ideal(carriers=close, carrier_eye=Eye(filter_s=0.01)))
    assert len(carrier_eye_output(seen)) > 2
    (one,) = program_input(seen, seen.machine.carrier_eye, carrier_eye_runs(seen))
    assert (one.from_s, one.to_s) == (seen.from_s, seen.to_s)


def test_the_insert_eye_is_blocked_from_nose_to_tail():
    """An insert of 85.6 mm is over the eye for 85.6 mm of feed travel."""
    seen = view(ideal())
    whole = [b for b in insert_eye_output(seen) if seen.from_s < b.from_s and b.to_s < seen.to_s]
    assert whole
    for _, since, until in whole:
        assert seen.feed.position(until) - seen.feed.position(since) == pytest.approx(85.6)


@pytest.mark.parametrize("start_empty", [False, True])
def test_the_first_insert_lies_over_the_eye_from_the_start(start_empty):
    seen = view(ideal(start_empty=start_empty), carrier=0)
    first = insert_eye_output(seen)[0]
    assert (first.number, first.from_s) == (0, seen.from_s)
    # its tail has the rest of its length to go: 85.6 - 60 mm
    stage = seen.rows.stage_position_mm[0]
    passed = seen.feed.position(first.to_s) - seen.feed.position(seen.rows.engage_time_s[0])
    assert passed == pytest.approx(85.6 - stage, abs=1e-6)


@pytest.mark.parametrize(("make", "carrier"), [(nothing_placed, 2), (ideal, 4)])
def test_an_insert_that_is_never_engaged_lies_staged_to_the_end(make, carrier):
    figure, records = draw(make(), carriers=5, carrier=carrier)
    last = int(records.feeders[0].insert.max()) + 1
    times, nose = line_of(figure.axes[-1], "nose-unused")
    assert times[-1] == figure.axes[-1].get_xlim()[1]
    assert nose[-1] == pytest.approx(60.0)
    assert texts(figure).count(f"insert {last}") == 2  # at the eye and on the stage


# -- the whole figure ----------------------------------------------------------------


def lanes_of(figure):
    assert len(figure.axes) == 5
    return figure.axes


def test_lanes_share_their_time_axis_and_carry_units():
    for units, unit in (("metric", "mm"), ("inch", "in")):
        figure, _ = draw(noisy(), units=units)
        lanes = lanes_of(figure)
        assert len({axes.get_xlim() for axes in lanes}) == 1
        assert lanes[3].get_ylabel() == f"speed ({unit}/s)"
        assert lanes[4].get_ylabel() == f"position along the insert path ({unit})"
        assert lanes[4].get_xlabel() == "time since carrier 12 passed the carrier eye (ms)"


def test_speeds_engagement_and_limits_are_drawn_to_scale():
    figure, _ = draw(ideal(), units="inch")
    _, _, clutch, speeds, positions = lanes_of(figure)
    _, belt = line_of(speeds, "belt-speed")
    _, feed = line_of(speeds, "feed-speed")
    assert belt == pytest.approx([1000 / 25.4] * len(belt))
    assert (feed.min(), feed.max()) == pytest.approx((0.0, 1000 / 25.4))
    times, engaged = line_of(clutch, "engagement")
    assert (engaged.min(), engaged.max()) == (0.0, 1.0)
    # half engaged half a ramp of 20 ms after the closing at 350 ms
    assert np.interp(360.0, times, engaged) == pytest.approx(0.5, abs=1e-6)
    for name, place in (
        ("insert eye", 0.0),
        ("stage", 60.0),
        ("nose limit", 95.0),
        ("grip end", 100.0),
        ("placement point", 120.0),
    ):
        assert list(line_of(positions, name)[1]) == pytest.approx([place / 25.4] * 2)


def test_a_step_clutch_and_a_ramp_in_travel_are_drawn():
    step, _ = draw(machine(feeder(eye=IDEAL, clutch=Clutch()), carrier_eye=IDEAL))
    _, engaged = line_of(lanes_of(step)[2], "engagement")
    assert set(engaged.tolist()) == {0.0, 1.0}
    travel = Clutch(travel_ramp=True, ramp_in=20.0, ramp_out=20.0)
    drawn, _ = draw(machine(feeder(eye=IDEAL, clutch=travel), carrier_eye=IDEAL))
    times, engaged = line_of(lanes_of(drawn)[2], "engagement")
    # a ramp of 20 mm at 1000 mm/s: 20 ms, closing 350 ms after the eye (as in time)
    assert np.interp(360.0, times, engaged) == pytest.approx(0.5, abs=1e-6)


def missed_carrier(line: Machine, cause: Outcome, *, carriers: int = 200) -> int:
    outcomes = simulate(line, RunDraws(line, 1), carriers=carriers).feeders[0].outcome
    return int(np.flatnonzero(outcomes == cause)[1])


@pytest.mark.parametrize(
    ("cause", "words"), [(Outcome.NOT_STAGED, "not staged"), (Outcome.NOT_SEEN, "not seen")]
)
def test_a_missed_carrier_is_drawn_with_its_cause(cause, words):
    line = noisy()
    carrier = missed_carrier(line, cause)
    figure, records = draw(line, carriers=200, carrier=carrier)
    assert math.isnan(records.feeders[0].placement_time_s[carrier])
    said = texts(figure)
    assert f"Carrier {carrier}, 60 m/min, missed: {words}" in said
    assert any(text.startswith(f"missed:\n{words}\n") for text in said)
    axes = lanes_of(figure)[-1]
    _, target = line_of(axes, f"target-{carrier}")
    assert target[-1] == pytest.approx(axes.get_ylim()[1])  # runs on past the placement point
    assert f"nose-{carrier}" not in {line.get_gid() for line in axes.lines}


def far_eye() -> Machine:
    """Return a line whose carrier eye is so far off that the beginning is left out."""
    one = feeder(eye=IDEAL, clutch=RAMPS, eye_to_placement_mm=4000.0)
    return machine(one, carrier_eye=IDEAL, controller=Controller(mark_memory=40))


def ends_without_insert() -> Machine:
    base = ideal()
    none = replace(base.feeders[0], inserts=Inserts(85.6, 70.0, misfeed=1.0))
    return replace(base, feeders=(none,), controller=Controller(search_limit_mm=300.0))


def late_anyway() -> Machine:
    controller = Controller(scan_s=0.002, not_ready_engages=True, late_mark_engages=True)
    return noisy(controller=controller)


def slowing_down() -> Machine:
    profile = ((0.0, 1000.0), (3.0, 1000.0), (4.0, 200.0))
    return ideal(line=Line(1000.0, profile=profile))


def polled(filter_s=0.015):
    eye = Eye(response_s=0.001, scanned=True, polled=True, filter_s=filter_s)
    return noisy(carrier_eye=eye, controller=Controller(scan_s=0.012, motion_cycle_s=0.001))


ODD = {
    "one carrier": (ideal, 1, 0, 0),
    "first": (noisy, 30, 0, 0),
    "last": (noisy, 30, 29, 0),
    "second feeder": (lambda: noisy(feeders=2), 30, 12, 1),
    "start empty": (lambda: noisy(start_empty=True), 10, 1, 0),
    "nothing placed": (nothing_placed, 5, 2, 0),
    "far eye": (far_eye, 60, 40, 0),
    "no insert": (ends_without_insert, 12, 3, 0),
    "late": (late_anyway, 120, 60, 0),
    "scanned": (lambda: noisy(carrier_eye=Eye(scanned=True)), 30, 12, 0),
    "slowing down": (slowing_down, 30, 13, 0),
    "filtered": (lambda: noisy(carrier_eye=Eye(filter_s=0.02)), 30, 12, 0),
    "polled": (polled, 30, 12, 0),
    "polled, nothing seen": (lambda: polled(filter_s=0.5), 30, 12, 0),
}


@pytest.mark.parametrize("units", ["metric", "inch"])
@pytest.mark.parametrize("case", ODD)
def test_odd_runs_are_drawn_with_no_text_over_another(case, units):
    make, carriers, carrier, number = ODD[case]
    figure, _ = draw(make(), carriers=carriers, carrier=carrier, number=number, units=units)
    assert f"Carrier {carrier}, " in " ".join(texts(figure))
    assert overlapping(figure) == []


def test_what_happened_left_of_the_window_is_said():
    figure, _ = draw(far_eye(), carriers=60, carrier=40)
    assert "carrier\nat eye\n\u2190 0.0 ms" in texts(figure)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_run_gives_the_same_bytes(kind):
    once, again = (render(draw(noisy())[0], kind) for _ in range(2))
    assert once == again


@pytest.mark.parametrize(("carrier", "number"), [(-1, 0), (30, 0), (0, 1), (0, -1)])
def test_a_carrier_or_feeder_that_is_not_there(carrier, number):
    line = ideal()
    records, trace = traced(line, carriers=30, carrier=3)
    with pytest.raises(IndexError, match=f"no carrier {carrier} of 30 at feeder {number} of 1"):
        timing_figure(line, records, trace, feeder=number, carrier=carrier, title="")


def texts(figure):
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text)]


def overlapping(figure):
    """Return pairs of texts that are drawn one over the other, and texts off the page."""
    from itertools import combinations

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    not_drawn = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if not low <= tick.get_loc() <= high:
                    not_drawn |= {tick.label1, tick.label2}
    boxes = [
        (text.get_text(), Text.get_window_extent(text, renderer).padded(-0.5))
        for text in figure.findobj(Text)
        if text not in not_drawn and text.get_visible() and text.get_text().strip()
    ]
    page = figure.bbox
    off = [name for name, box in boxes if not (page.x0 <= box.x0 and box.x1 <= page.x1)]
    return off + [(a, b) for (a, x), (b, y) in combinations(boxes, 2) if x.overlaps(y)]


def test_the_overlap_check_finds_a_text_over_another():
    figure, _ = draw(ideal())
    figure.text(0.5, 0.965, "in the way")
    assert overlapping(figure) == [("Sample card", "in the way")]


def test_settings_solved_by_hand_for_the_ideal_line():
    """420 - 60 - 10 mm: what the test by hand above relies on."""
    assert settings().stage_position_mm == 60.0
    assert ideal().feeders[0].settings.engage_distance_mm == pytest.approx(360.0)
    assert ideal().feeders[0].settings.engage_lead_s == pytest.approx(0.010)


# -- stops ---------------------------------------------------------------------------


@pytest.mark.parametrize("jam", [40, 46, 48])
def test_an_insert_that_is_cleared_away_lies_over_the_eye_no_longer(jam):
    """The insert at the eye as the line stops is taken out by hand, or goes on with the feed.

    Carrier 40 stops an insert that is never engaged, 46 one whose clutch is still closed at the
    landing, 48 one that is kept. One card at a time is over an eye.
    """
    fault = {"carrier": jam, "kind": "carrier_jam"}
    changes = {"controller.scan": "60 ms", "run.carriers": 60, "adjust": [], "fault": [fault]}
    scenario = feedsim.load(SCENARIOS / "stops.toml", changes).scenario
    line = machine_of(scenario)
    records, kept = trace(scenario, around=carriers_around(line, jam))
    seen = view_of(line, records, kept, feeder=0, carrier=jam)
    blocked = insert_eye_output(seen)
    assert len(blocked) > 1
    assert all(a.to_s <= b.from_s for a, b in pairwise(blocked))
    (cleared,) = (event.time_s for event in kept.events if event.event == "cleared")
    for number, start, end in blocked:
        if start < cleared and number not in seen.rows.insert:
            assert end == cleared + seen.machine_feeder.eye.off_response_s
    assert int(seen.rows.insert[jam]) in [level.number for level in blocked]
    figure = timing_figure(line, records, kept, feeder=0, carrier=jam, title="stopped")
    outputs = [drawn for lane in figure.axes for drawn in lane.lines if drawn.get_gid() == "output"]
    assert [drawn.get_drawstyle() for drawn in outputs] == ["steps-post", "steps-post"]


def test_outputs_change_in_steps_whatever_overlaps():
    """At any instant the output drawn is on if and only if a card holds it on."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        starts = np.sort(rng.integers(0, 12, 4)).astype(float)
        held = [OnInterval(n, s, min(12.0, s + rng.integers(1, 6))) for n, s in enumerate(starts)]
        held = [level for level in held if level.from_s < level.to_s]
        times, levels = steps(held, (0.0, 12.0))
        assert len(times) == len(levels)
        assert times == sorted(times)
        for t in np.arange(0.5, 12.0):
            drawn = levels[np.searchsorted(times, t, side="right") - 1]
            assert drawn == any(start <= t < end for _, start, end in held)
