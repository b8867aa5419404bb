"""The parts of a placement error, worked out by hand: each cause alone is in its part alone.

All on the line of ``tests/unit/story_cases.py``: at 1000 mm/s, with t in ms and travel in mm.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from feedsim.arrivals import Paced
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Eye, Line, Servo
from feedsim.settings.right import solve_feeder
from tests import machines
from tests.unit.story_cases import (
    AUTO,
    carrier_with,
    draws_of,
    errors,
    insert_with,
    part,
    plain,
    told,
    with_feeder,
    with_settings,
)

RATIOS = pytest.mark.parametrize(("g", "eps"), [(1.0, 0.0), (1.25, 0.0), (1.25, 0.01)])


# -- one cause at a time -----------------------------------------------------------------


def test_nothing_wrong_leaves_nothing() -> None:
    line = plain()
    assert errors(told(line, draws_of(line))) == {}


@RATIOS
@pytest.mark.parametrize(
    ("field", "more", "key", "expected"),
    [
        ("seen_edge_mm", 0.3, "carrier_eye_edge", 0.3),
        ("seen_edge_mm", -0.7, "carrier_eye_edge", -0.7),
        ("eye_delay_s", 0.0004, "carrier_eye_response", 0.4),  # v·dt
        ("slip_mm", 0.25, "carrier_slip", -0.25),  # the carrier falls back: the insert lies forward
    ],
)
def test_a_carrier_card_alone(
    g: float, eps: float, field: str, more: float, key: str, expected: float
) -> None:
    line = plain(g, eps)
    base = errors(told(line, draws_of(line)))
    found = errors(told(line, carrier_with(draws_of(line), **{field: more})))
    assert found.pop(key) == pytest.approx(expected, abs=1e-9)
    assert found == pytest.approx(base, abs=1e-9)


@RATIOS
@pytest.mark.parametrize(
    ("field", "more", "key", "in_feed"),
    [
        ("seen_edge_mm", 0.3, "insert_eye_edge", -0.3),  # staged further on: early
        ("slip_mm", 0.25, "insert_slip", 0.25),
    ],
)
def test_an_insert_card_alone(
    g: float, eps: float, field: str, more: float, key: str, in_feed: float
) -> None:
    # a mm of feed is (1 + ε)/g mm of belt
    line = plain(g, eps)
    base = errors(told(line, draws_of(line)))
    found = errors(told(line, insert_with(draws_of(line), **{field: more})))
    assert found.pop(key) == pytest.approx(in_feed * (1.0 + eps) / g, abs=1e-9)
    assert found == pytest.approx(base, abs=1e-9)


@pytest.mark.parametrize("g", [1.0, 1.25])
def test_a_slow_insert_eye_costs_the_same_belt_travel_at_any_ratio(g: float) -> None:
    line = plain(g)
    found = errors(told(line, insert_with(draws_of(line), eye_delay_s=0.0004)))
    assert found == pytest.approx({"insert_eye_response": -0.4}, abs=1e-9)


@pytest.mark.parametrize("eps", [0.01, -0.02])
def test_the_scale_error_alone(eps: float) -> None:
    # model, section 13, 5: ε·(D + target), and the stage not at all
    line = plain(1.25, eps)
    found = errors(told(line, draws_of(line)))
    assert found == pytest.approx({"scale_error": eps * 420.0}, abs=1e-9)


@pytest.mark.parametrize(
    ("setting", "more", "key", "expected"),
    [
        ("engage_distance_mm", 1.5, "engage_distance", 1.5),
        ("engage_lead_s", 0.002, "engage_lead", -2.0),
        ("disengage_distance_mm", 1.5, "disengage_distance", -1.5),
        ("disengage_lead_s", 0.002, "disengage_lead", 2.0),
    ],
)
def test_a_wrong_setting_alone(setting: str, more: float, key: str, expected: float) -> None:
    line = plain(1.25)
    line = with_settings(line, **{setting: getattr(line.feeders[0].settings, setting) + more})
    assert errors(told(line, draws_of(line))) == pytest.approx({key: expected}, abs=1e-9)


def test_what_right_settings_allow_for_leaves_nothing() -> None:
    # Ramps of 20 ms, a lag of (1 − 0.8)/200 s = 1 ms, a command delay of 3 ms, eyes of 0.5 ms,
    # all in the leads: at 500 mm/s each costs half of its ms in mm, and so much is allowed for.
    what = machines.feeder(
        servo=Servo(200.0, 0.8, command_delay_s=0.003), clutch=Clutch(False, 0.02, 0.02)
    )
    line = machines.machine(what, speed_m_min=30.0)
    story = told(line, draws_of(line))
    found = {p.key: (p.cost_mm, p.allowed_mm) for p in story.parts if abs(p.cost_mm) > 1e-9}
    early = 1e-6  # of the lag, e^(−200/s · 0.1 s) of its start is left
    assert found == {
        "carrier_eye_response": pytest.approx((0.25, 0.25), abs=1e-9),
        "engage_delay": pytest.approx((1.5, 1.5), abs=1e-9),
        "ramp_in": pytest.approx((5.0, 5.0), abs=1e-9),
        "lag": pytest.approx((0.5, 0.5), abs=early),
        "insert_eye_response": pytest.approx((-0.25, -0.25), abs=1e-9),
        "disengage_delay": pytest.approx((-1.5, -1.5), abs=1e-9),
        "ramp_out": pytest.approx((-5.0, -5.0), abs=1e-9),
        "stage_lag": pytest.approx((-0.5, -0.5), abs=early),
    }


# -- ticks and counts --------------------------------------------------------------------


def test_ticks_of_the_hand_worked_trace() -> None:
    # Carrier 1 of tests/unit/test_trace.py: scan 2 ms, motion cycle 1 ms, phase 0.3 ms, E = 359,
    # U = 50 without leads, eyes that take 0.5 ms of which no setting knows. Edge 400, switches
    # 400.5, point 759.5, closes at 760.3. Its insert's edge is at 560.3, switches 560.8, point
    # 610.8, opens at 611.3. Half a cycle, 0.5 mm, is allowed for on either side. Right would be E
    # = 360 and U = 60 with leads of 0.5 ms each.
    line = plain(controller=Controller(scan_s=0.002, motion_cycle_s=0.001))
    line = with_settings(
        line,
        engage_distance_mm=359.0,
        engage_lead_s=0.0,
        disengage_distance_mm=50.0,
        disengage_lead_s=0.0,
    )
    line = with_feeder(line, inserts=replace(line.feeders[0].inserts, length_mm=90.0))
    draws = draws_of(line, (100.0, 400.0, 700.0), ticks_s=0.0003)
    cards = [c._replace(eye_delay_s=0.0005) for c in draws.carrier_cards]
    inserts = [c._replace(eye_delay_s=0.0005) for c in draws.insert_cards[0]]
    story = told(line, replace(draws, carrier_cards=cards, insert_cards=[inserts]))
    assert errors(story) == pytest.approx(
        {
            "carrier_eye_response": 0.5,
            "closing_tick": 0.8 - 0.5,
            "engage_distance": -1.0,
            "engage_lead": 0.5,
            "insert_eye_response": -0.5,
            "disengage_distance": 10.0,
            "disengage_lead": -0.5,
        },
        abs=1e-9,
    )
    assert part(story, "opening_tick").delay_s == pytest.approx(0.0005, abs=1e-12)
    assert story.placement_error_mm == pytest.approx(9.3, abs=1e-9)


def test_an_edge_whose_tick_stays_is_in_two_parts_that_cancel() -> None:
    # Motion ticks at 0.4 + n ms, the lead 0.5: the point is at 600 + 360 − 0.5, its tick at
    # 960.4. An edge seen 0.3 later makes the wait so much shorter, and the error stays.
    line = plain(controller=Controller(motion_cycle_s=0.001))
    draws = draws_of(line, ticks_s=0.0004)
    before, after = told(line, draws), told(line, carrier_with(draws, seen_edge_mm=0.3))
    assert after.placement_error_mm == pytest.approx(before.placement_error_mm, abs=1e-9)
    assert part(before, "closing_tick").error_mm == pytest.approx(0.9 - 0.5, abs=1e-9)
    changed = {
        a.key: b.error_mm - a.error_mm
        for a, b in zip(before.parts, after.parts, strict=True)
        if abs(a.error_mm - b.error_mm) > 1e-9
    }
    assert changed == pytest.approx({"carrier_eye_edge": 0.3, "closing_tick": -0.3}, abs=1e-9)


def test_counts_and_rounding() -> None:
    # q = 0.4, φ = 0.25: count n is reached at 0.4·(n − 0.25). Half a count, 0.2, is allowed for.
    # Edge at 600.05: n = ⌊1500.125 + 0.25⌋ = 1500, reached at 599.9: 0.15 low. E = 360.2 (right)
    # is 900.5 counts, to even 900: 360.0. Carrier 0 at 300: n = 750, reached at 299.9, closes at
    # 659.9. Its next nose is at the eye 95.6 on: 755.5, n = ⌊1888.75 + 0.25⌋ = 1889, reached
    # there: read exactly. U = 60.2 is 150.5 counts, to even 150: 60.0.
    line = plain(encoder=Encoder(0.4))
    draws = draws_of(line, (300.0, 600.05, 900.0), encoder=0.25)
    assert errors(told(line, draws)) == pytest.approx(
        {
            "carrier_eye_count": -0.15 + 0.2,
            "engage_rounding": -0.2,
            "insert_eye_count": -(0.0 + 0.2),
            "disengage_rounding": 0.2,
        },
        abs=1e-9,
    )


def test_scanned_eyes() -> None:
    # Scan ticks at 0.3 + 8n, half a scan, 4, allowed for: the edge at 600 is captured at 600.3.
    # Carrier 0: edge 300, captured 304.3; E = 360 with a lead of 4: closes 660.3. Its next nose,
    # 95.6 on, at 755.9, is captured at 760.3.
    controller = Controller(scan_s=0.008)
    line = plain(carrier_eye=Eye(scanned=True), controller=controller)
    line = with_settings(with_feeder(line, eye=Eye(scanned=True)), **AUTO)
    assert errors(told(line, draws_of(line, ticks_s=0.0003))) == pytest.approx(
        {"carrier_eye_scan": 0.3 - 4.0, "insert_eye_scan": -(4.4 - 4.0)}, abs=1e-9
    )


# -- what settings cannot allow for --------------------------------------------------------

WAITING = Controller(not_ready_engages=True, late_mark_engages=True)


def test_a_switching_held_back_by_the_one_before() -> None:
    # Carrier 1 passes at 600; the output switches for carrier 0 at 600.2, so not before that for
    # it. Both points are at 960.2; the feeder serves carrier 0 and is ready 155.6 later.
    line = plain(controller=WAITING)
    story = told(line, carrier_with(draws_of(line), 0, eye_delay_s=0.3002))
    assert errors(story) == pytest.approx({"carrier_eye_held": 0.2, "feeder_wait": 155.6}, abs=1e-9)


def test_a_mark_known_past_its_point() -> None:
    # Scan ticks at 0.3 + 480n. Carrier 1, edge 1080, is known at 1440.3, its point is at 1440.
    # (Carrier 0, edge 460, closes at 820; the next edge, at 915.6, is known in time, at 960.3.)
    line = plain(controller=Controller(scan_s=0.48, late_mark_engages=True))
    story = told(line, draws_of(line, (460.0, 1080.0), ticks_s=0.0003), carriers=2)
    assert errors(story) == pytest.approx({"late_mark": 0.3}, abs=1e-9)


def test_waiting_for_the_feeder_and_behind_the_mark_before() -> None:
    # The feeder closes for carrier 0, edge 300, at 660 and is ready 155.6 later. Carrier 1, edge
    # 400: point 760, waits 55.6. Carrier 2, edge 420: point 780, behind carrier 1 until 815.6,
    # 35.6 on, and then waits for the feeder until 971.2. Carriers of 15 mm, and room to be late
    # without end.
    carriers = Carriers(Paced(15.0, 100.0))
    line = plain(controller=WAITING, carriers=carriers)
    line = with_settings(line, target_offset_mm=-400.0)
    draws = draws_of(line, (300.0, 400.0, 420.0))
    off = {"engage_distance": 420.0}  # E stays 360, right for this target would be −60
    second, third = (errors(told(line, draws, carrier=k)) for k in (1, 2))
    assert second == pytest.approx({"feeder_wait": 55.6, **off}, abs=1e-9)
    assert third == pytest.approx({"queued": 35.6, "feeder_wait": 155.6, **off}, abs=1e-9)


def test_a_ramp_that_is_not_over_at_the_landing() -> None:
    # A run-up of 60 on a ramp of 200 ms: v·s²/(2T) = 60 at s = 154.919 ms. Until then the clutch
    # has lost v·s − 60; half the ramp, 100, is in the lead, and "auto" takes back the rest for
    # this speed.
    line = with_settings(with_feeder(plain(), clutch=Clutch(False, 0.2, 0.0)), **AUTO)
    lost = 1000.0 * math.sqrt(2.0 * 0.2 * 60.0 / 1000.0) - 60.0
    found = errors(told(line, draws_of(line), carrier=0))
    assert found["ramp_in"] == pytest.approx(lost - 100.0, abs=1e-9)
    assert found["engage_unsettled"] == pytest.approx(100.0 - lost, abs=1e-6)
    assert set(found) == {"ramp_in", "engage_unsettled"}


def test_a_travel_ramp_that_is_not_over_at_the_landing() -> None:
    # dp/dc = c/A: 60 on a ramp of 200 are reached at c = √(2·200·60), 94.919 lost; 100 are in the
    # distance. All of that is counted travel, of the belt it is (1 + ε) times as much.
    eps = 0.01
    line = with_feeder(plain(error=eps), clutch=Clutch(True, 200.0, 0.0))
    line = with_settings(line, engage_distance_mm=260.0)
    found = errors(told(line, draws_of(line), carrier=0))
    lost = math.sqrt(2.0 * 200.0 * 60.0) - 60.0
    assert found["ramp_in"] == pytest.approx((1.0 + eps) * (lost - 100.0), abs=1e-9)


def test_a_clutch_that_opens_before_the_landing() -> None:
    # Run-up 100 (S 160). The next nose comes 95.6 after the closing and, with U = −10, opens the
    # clutch at once, 10 late. Insert 0 is 4.4 short until the clutch closes for carrier 1, 300
    # later.
    line = with_feeder(plain(), insert_eye_to_placement_mm=160.0)
    line = with_settings(line, engage_distance_mm=320.0, disengage_distance_mm=-10.0)
    draws = draws_of(line)
    assert errors(told(line, draws, carrier=0)) == pytest.approx(
        {"opened_early": 300.0 - 95.6}, abs=1e-9
    )
    # insert 1 rests with its nose at the eye, not at 60
    second = errors(told(line, draws, carrier=1))
    assert second["late_opening"] == pytest.approx(-10.0, abs=1e-9)
    assert second["disengage_distance"] == pytest.approx(70.0, abs=1e-9)


def test_a_nose_staged_past_the_placement_point() -> None:
    # S = 58, stage 60: the insert lands as the clutch closes. E = 420, the way of the carrier, is
    # then right, and 2 less than its terms, 400 + 20 − (58 − 60), say.
    line = with_feeder(plain(), insert_eye_to_placement_mm=58.0)
    line = with_settings(line, engage_distance_mm=420.0)
    found = errors(told(line, draws_of(line)))
    assert found.pop("nose_past") == pytest.approx(2.0, abs=1e-9)
    assert found.keys() <= {"engage_unsettled", "engage_distance"}
    assert sum(found.values()) == pytest.approx(-2.0, abs=1e-9)


def test_stage_correction_takes_back_what_the_controller_can_know() -> None:
    # U 1.5 too long: staged 1.5 further on. The controller measures that and adds 1.5 to E; an edge
    # that is seen 0.3 late it cannot see.
    line = with_settings(plain(), stage_correction=True, disengage_distance_mm=61.5)
    draws = insert_with(draws_of(line), seen_edge_mm=0.3)
    assert errors(told(line, draws)) == pytest.approx(
        {"disengage_distance": -1.5, "insert_eye_edge": -0.3, "stage_correction": 1.5}, abs=1e-9
    )


def test_a_clutch_not_yet_closed_at_the_edge() -> None:
    # Ramp-in 200 ms from the closing for carrier 0; the next nose, 95.6 on, comes to the eye
    # while it lasts: v·s²/(2T) = 95.6 at s = 195.55 ms, 4.45 ms before its end. What the belt is
    # ahead from there, v·u − (v·u − v·u²/(2T)) with u = T − s, is lost to the stage: staged
    # short, late.
    line = with_feeder(plain(), clutch=Clutch(False, 0.2, 0.0))
    found = errors(told(line, draws_of(line)))
    u = 0.2 - math.sqrt(2.0 * 0.2 * 95.6 / 1000.0)
    assert found["not_closed_yet"] == pytest.approx(1000.0 * u * u / 0.4, abs=1e-9)


def test_a_clutch_that_opens_before_it_has_closed() -> None:
    # Ramps of 200 ms. With U = 0 the clutch opens at that edge, closed to r = s/T = 0.978: the
    # ramp-out runs on by v·r²·T/2 instead of v·T/2, 100, which is allowed for.
    line = with_feeder(plain(), clutch=Clutch(False, 0.2, 0.2))
    line = with_settings(line, engage_distance_mm=360.0, disengage_distance_mm=0.0)
    r = math.sqrt(2.0 * 0.2 * 95.6 / 1000.0) / 0.2
    story = told(line, draws_of(line, (300.0, 900.0, 1500.0)))
    errors(story)
    ramp_out = part(story, "ramp_out")
    assert ramp_out.cost_mm == pytest.approx(-100.0 * r * r, abs=1e-9)
    assert ramp_out.allowed_mm == pytest.approx(-100.0, abs=1e-9)


# -- a belt whose speed changes --------------------------------------------------------------

FASTER = Line(1000.0, 500.0, ((0.0, 1000.0), (4.0, 9000.0)))  # 2000 mm/s² from the start


def test_a_response_while_the_belt_speeds_up() -> None:
    # A response of 5 ms of which no setting knows, begun at v0, moves the belt v0·d + a·d²/2
    # instead of v·d, v at the closing: the difference is the speed's, and nothing else is there.
    d, a = 0.005, 2000.0
    line = plain(line=FASTER)
    story = told(line, carrier_with(draws_of(line), eye_delay_s=d))
    v = story.engage_speed_mm_s
    v0 = math.sqrt(1000.0**2 + 2.0 * a * 600.0)
    assert v == pytest.approx(math.sqrt(1000.0**2 + 2.0 * a * (960.0 + v0 * d + 0.5 * a * d * d)))
    assert errors(story) == pytest.approx(
        {"carrier_eye_response": v * d, "speed_change": (v0 - v) * d + 0.5 * a * d * d}, abs=1e-9
    )


def test_a_speed_filter_takes_the_lead_from_an_older_speed() -> None:
    # Settled at first, y is behind a ramp of a by a·T·(1 − e^(−t/T)), and the point later by lead
    # times that. The lead itself is asked for by nothing, so all of it is wrong.
    a, filter_s, lead = 2000.0, 0.03, 0.01
    line = plain(line=FASTER, controller=Controller(speed_filter_s=filter_s))
    line = with_settings(line, engage_lead_s=lead)
    story = told(line, draws_of(line))
    v = story.engage_speed_mm_s
    assert v is not None
    behind = a * filter_s * (1.0 - math.exp(-(v - 1000.0) / a / filter_s))
    assert errors(story) == pytest.approx(
        {"engage_lead": -lead * v, "engage_filter": lead * behind}, abs=1e-9
    )


# -- the first insert --------------------------------------------------------------------


def test_an_insert_staged_at_the_start_has_no_parts_of_a_stage() -> None:
    line = plain()
    story = told(line, draws_of(line), carrier=0)
    assert [p for p in story.parts if p.group == "stage"] == []
    assert errors(story) == {}


def test_a_jogged_insert() -> None:
    # Jog at 100 mm/s from f = 0, rigid, the nose at the eye at f = 70. Its edge is seen 0.2 late
    # and the eye takes 4 ms of which no setting knows, 0.4 at jog speed: staged 0.6 further on,
    # 0.6/g of belt.
    g = 1.25
    line = plain(g, start_empty=True, controller=Controller(scan_s=0.05))
    draws = insert_with(draws_of(line, (900.0, 1200.0)), 0, seen_edge_mm=0.2, eye_delay_s=0.004)
    found = errors(told(line, draws, carrier=0, carriers=2))
    expected = {"insert_eye_edge": -0.2 / g, "insert_eye_response": -0.4 / g}
    assert found == pytest.approx(expected, abs=1e-9)
    # Stage 3: the edge, at f = 70.2, has switched at 706 ms and is known at the scan tick at 750,
    # the nose then at 5 mm: it stops there, 2 too far, of which 0.6 are as above.
    near = with_settings(line, stage_position_mm=3.0)
    found = errors(told(near, draws, carrier=0, carriers=2))
    assert found["jog_overshoot"] == pytest.approx(-(2.0 - 0.6) / g, abs=1e-9)


def test_right_settings_of_the_examples_are_their_terms() -> None:
    # so that "not the right one" is nothing where nothing was typed in
    line = machines.machine(machines.feeder(clutch=Clutch(False, 0.02, 0.02)))
    right, s = solve_feeder(line, line.feeders[0]), line.feeders[0].settings
    assert right.engage_distance_mm == s.engage_distance_mm
