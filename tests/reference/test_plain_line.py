"""The plain implementation as a whole against results worked out by hand."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Paced
from feedsim.draws.line_draws import CarrierDraw, InsertDraw, Phases, RunDraws
from feedsim.machine import (
    Carriers,
    Clutch,
    Controller,
    Encoder,
    Eye,
    Inserts,
    Line,
    Servo,
)
from feedsim.records.outcome import Outcome
from tests import machines
from tests.machines import with_feeder
from tests.reference.plain_line import plain_run

D, S, STAGE, TARGET = 700.0, 240.0, 120.0, 20.0
LENGTH, PITCH = 150.0, 170.0  # of inserts
RAMP_S, RAMP_MM, RESPONSE_S, DELAY_S, SETTLE_S = 0.04, 40.0, 0.002, 0.001, 0.005


def machine(*, v=1000.0, travel=False, gain=math.inf, forward=0.0, ratio=1.0, **change):
    """Return a line with the closed-form settings: every error 0 where nothing varies."""
    tau = 0.0 if gain == math.inf else (1.0 - forward) / gain
    lead = RESPONSE_S + tau + DELAY_S + (0.0 if travel else RAMP_S / 2.0)
    half = RAMP_MM / 2.0 if travel else 0.0
    settings = machines.typed(
        target_offset_mm=TARGET,
        stage_position_mm=STAGE,
        engage_distance_mm=D + TARGET - (S - STAGE) / ratio - half,
        engage_lead_s=lead,
        disengage_distance_mm=STAGE / ratio - half,
        disengage_lead_s=lead,
        speed_ratio=ratio,
    )
    ramp = RAMP_MM if travel else RAMP_S
    eye = Eye(response_s=RESPONSE_S)
    feeder = machines.feeder(
        eye_to_placement_mm=D,
        insert_eye_to_placement_mm=S,
        grip_end_mm=-20.0,
        nose_limit_mm=200.0,
        jog_speed_mm_s=200.0,
        inserts=Inserts(length_mm=LENGTH, gap_mm=PITCH - LENGTH),
        eye=eye,
        clutch=Clutch(travel, ramp, ramp, SETTLE_S),
        servo=Servo(gain, forward, math.inf, DELAY_S),
        settings=settings,
    )
    whole = machines.machine(
        feeder,
        line=Line(v),
        carriers=Carriers(Paced(210.0, 300.0)),
        carrier_eye=eye,
        controller=Controller(search_limit_mm=1500.0),
    )
    return replace(whole, **change)


class Cards:
    """Cards written by hand; what is not written comes at the steady pitch."""

    def __init__(self, *, carriers=(), inserts=None, phases=(0.0, 0.0), response=RESPONSE_S):
        self._carriers = carriers
        self._inserts = inserts or {}
        self._phases = Phases(*phases)
        self._response = response

    def phases(self):
        return self._phases

    def carriers(self):
        yield from self._carriers
        for k in itertools.count(len(self._carriers)):
            edge = 300.0 * (k + 1)
            yield CarrierDraw(edge, edge, self._response, 0.0, missed=False)

    def inserts(self, feeder):
        nose = 0.0
        for i in itertools.count():
            card = InsertDraw(
                nose, nose, LENGTH, self._response, 0.0, True, False, math.nan, False
            )._replace(**self._inserts.get(i, {}))
            yield card
            nose += PITCH


def carrier_at(edge, **change):
    return CarrierDraw(edge, edge, RESPONSE_S, 0.0, missed=False)._replace(**change)


def outcomes(run):
    return [Outcome(x).name for x in run.feeders[0].outcome]


# --- placement ------------------------------------------------------------------------


@pytest.mark.parametrize("v", [300.0, 1000.0])
@pytest.mark.parametrize("travel", [False, True])
@pytest.mark.parametrize("ratio", [0.95, 1.0, 1.05])
def test_right_settings_place_without_error(v, travel, ratio):
    run = plain_run(machine(v=v, travel=travel, ratio=ratio), Cards(), 12).feeders[0]
    assert run.placement_error_mm == pytest.approx(0.0, abs=1e-9)
    assert run.stage_position_mm == pytest.approx(STAGE, abs=1e-9)
    assert run.nose_speed_mm_s == pytest.approx(ratio * v, rel=1e-12)


def test_everything_in_travel_is_right_at_any_changing_speed():
    # no response, no delay, no lead, rigid, ramps in travel: speed does not come in
    whole = machine(travel=True)
    whole = with_feeder(
        whole,
        servo=Servo(),
        settings=replace(whole.feeders[0].settings, engage_lead_s=0.0, disengage_lead_s=0.0),
    )
    profile = ((0.0, 0.0), (1.5, 900.0), (2.5, 100.0), (4.0, 100.0), (6.0, 1000.0))
    whole = replace(whole, line=Line(1000.0, 500.0, profile))
    run = plain_run(whole, Cards(response=0.0), 15).feeders[0]
    assert run.placement_error_mm == pytest.approx(0.0, abs=1e-8)
    assert run.stage_position_mm == pytest.approx(STAGE, abs=1e-8)


@pytest.mark.parametrize("forward", [0.0, 0.4])
def test_what_the_lag_leaves_at_the_landing(forward):
    # Over the ramp the lag d obeys d' = −K·d + (1−k)·a·t, so at its end it is short of its
    # steady value (1−k)·a·T/K by (1−k)·a/K²·(1 − exp(−K·T)), which then decays.
    gain, v = 40.0, 1000.0
    run = plain_run(machine(v=v, gain=gain, forward=forward), Cards(), 1).feeders[0]
    acceleration = v / RAMP_S
    since = run.placement_time_s[0] - (run.engage_time_s[0] + DELAY_S + RAMP_S)
    ahead = (1.0 - forward) * acceleration / gain**2 * (1.0 - math.exp(-gain * RAMP_S))
    assert run.placement_error_mm[0] == pytest.approx(-ahead * math.exp(-gain * since), abs=1e-9)


def test_scale_error_shifts_by_its_share_of_the_distance():
    # ε·(D + target) (model, facts, 5), the lead being time
    whole = replace(machine(v=500.0), encoder=Encoder(0.0, 0.004))
    run = plain_run(whole, Cards(), 8).feeders[0]
    assert run.placement_error_mm == pytest.approx(0.004 * (D + TARGET), abs=1e-9)
    assert run.stage_position_mm == pytest.approx(STAGE, abs=1e-9)


def test_motion_ticks_and_counts_delay_by_hand():
    # v = 1000, q = 2, φ = 0.25: count n is reached at m = 2·(n − 0.25). Mark: edge at 300,
    # switching at 302 mm, count ⌊151.25⌋ = 151. E = 600 − 23 = 577 mm = 288.5 counts,
    # rounded to even 288: count 439 at m = 877.5, t = 0.8775. Ticks at 0.0004 + n·0.005:
    # the next is 0.8804. Without ticks and counts it would close at 302 + 577 = 879 mm.
    whole = replace(
        machine(), encoder=Encoder(2.0), controller=Controller(0.0, 0.005, search_limit_mm=1500.0)
    )
    run = plain_run(whole, Cards(phases=(0.25, 0.0004)), 1).feeders[0]
    assert run.engage_time_s[0] == pytest.approx(0.8804, abs=1e-12)
    assert run.placement_error_mm[0] == pytest.approx(1.4, abs=1e-9)


def test_slip_goes_straight_into_the_error_and_not_into_the_stage():
    # a slip of 3 mm on insert and 2 mm on carrier: 3/g later, 2 mm less offset
    cards = Cards(carriers=[carrier_at(300.0, slip_mm=2.0)], inserts={0: {"slip_mm": 3.0}})
    run = plain_run(machine(), cards, 3).feeders[0]
    assert run.placement_error_mm == pytest.approx([1.0, 0.0, 0.0], abs=1e-9)
    assert run.stage_position_mm == pytest.approx(STAGE, abs=1e-9)


# --- one cycle ------------------------------------------------------------------------


def test_one_cycle_by_hand():
    # Close at 879 mm = 0.879 s; command full from 0.92 s, having done 20 mm. The next nose
    # has PITCH − STAGE = 50 mm to the eye: 0.950 s, switched 0.952 s. U = 120 − 23 = 97 mm:
    # opens at 1.049 s with f = 149 mm, tail 149 + 120 − 150 = 119 mm. Ramp to 1.09, ready 1.095.
    run = plain_run(machine(), Cards(), 2).feeders[0]
    assert run.engage_time_s[0] == pytest.approx(0.879, abs=1e-12)
    assert run.opening_time_s[0] == pytest.approx(1.049, abs=1e-12)
    assert run.tail_mm[0] == pytest.approx(119.0, abs=1e-9)
    assert run.ready_time_s[0] == pytest.approx(1.095, abs=1e-12)
    assert run.demanded_acceleration_mm_s2[0] == pytest.approx(25000.0)
    # lands at f = 240 − 120 = 120: 0.92 + 0.100
    assert run.placement_time_s[0] == pytest.approx(1.02, abs=1e-12)


def test_a_ramp_in_cut_short_falls_from_where_it_is():
    # The search limit of 2 mm: f = r·v·t/2 = t²·1000/0.08 = 2 at t = √0.00016 = 12.65 ms after
    # the command begins; the clutch opens there, the command 1 ms later, with r = (t + 1 ms)/40 ms.
    # It falls for as long: p ends at twice the travel of the rise.
    whole = replace(machine(), controller=Controller(search_limit_mm=2.0))
    run = plain_run(whole, Cards(), 2)
    rows = run.feeders[0]
    assert outcomes(run) == ["NOT_STAGED", "NO_INSERT"]
    t = math.sqrt(0.00016)
    assert rows.opening_time_s[0] == pytest.approx(0.879 + DELAY_S + t, abs=1e-12)
    assert math.isnan(rows.ready_time_s[0])
    assert rows.tail_mm[0] == pytest.approx(2.0 + STAGE - LENGTH, abs=1e-9)
    assert run.feeders[0].books.in_feeder == 1


def test_carrier_too_close_is_not_staged_or_waits():
    # First mark closes at 0.879, ready at 1.095 (by hand above). Second carrier 150 mm behind:
    # its point is at 1.029 s.
    cards = Cards(carriers=[carrier_at(300.0), carrier_at(450.0), carrier_at(1500.0)])
    whole = replace(machine(), carriers=Carriers(Paced(120.0, 300.0)))
    run = plain_run(whole, cards, 3)
    assert outcomes(run) == ["PLACED", "NOT_STAGED", "PLACED"]
    assert list(run.feeders[0].late_engage) == [0, 0, 0]
    # waiting it closes at 1.095: 66 mm late
    waits = Controller(search_limit_mm=1500.0, not_ready_engages=True)
    run = plain_run(replace(whole, controller=waits), cards, 3)
    assert outcomes(run) == ["PLACED", "PLACED", "PLACED"]
    assert run.feeders[0].placement_error_mm == pytest.approx([0.0, 66.0, 0.0], abs=1e-9)
    assert list(run.feeders[0].late_engage) == [0, 1, 0]
    # a carrier of 80 mm can no longer be hit beyond 60 mm late
    short = replace(whole, carriers=Carriers(Paced(80.0, 300.0)), controller=waits)
    assert outcomes(plain_run(short, cards, 3)) == ["PLACED", "NOT_STAGED", "PLACED"]
    # at the limit, 20 + 66 = 86, it still can
    just = replace(whole, carriers=Carriers(Paced(86.0, 300.0)), controller=waits)
    assert outcomes(plain_run(just, cards, 3)) == ["PLACED", "PLACED", "PLACED"]


def test_memory_full():
    # Distance 700 + 20 − 120 behind the eye: marks 300 mm apart, two in hand at a time
    few = Controller(search_limit_mm=1500.0, mark_memory=1)
    run = plain_run(replace(machine(), controller=few), Cards(), 6)
    expected = ["PLACED", "MARK_MEMORY_FULL"] * 3
    assert outcomes(run) == expected
    # At one instant a mark is known before another is acted on: at a pitch of 577 mm, the
    # travel between capture and point, the second finds the first still in memory.
    cards = Cards(carriers=[carrier_at(300.0), carrier_at(877.0)])
    assert outcomes(plain_run(replace(machine(), controller=few), cards, 2)) == [
        "PLACED",
        "MARK_MEMORY_FULL",
    ]


def test_late_marks():
    # E = 577 mm of travel, 0.577 s; scan ticks at n·2 s. Edge at 300 mm, switched at 0.302 s,
    # known at 2 s: 2000 − 879 = 1121 mm late.
    slow = Controller(2.0, 0.0, search_limit_mm=1500.0)
    cards = Cards(carriers=[carrier_at(300.0), carrier_at(1600.0)])
    insert_latched = replace(machine(), controller=slow)
    assert outcomes(plain_run(insert_latched, cards, 2))[0] == "LATE_MARK"
    engages = replace(insert_latched, controller=replace(slow, late_mark_engages=True))
    assert outcomes(plain_run(engages, cards, 2))[0] == "LATE_MARK"  # 1121 mm: cannot be hit
    long = replace(engages, carriers=Carriers(Paced(1250.0, 1300.0)))
    run = plain_run(long, cards, 2)
    rows = run.feeders[0]
    assert rows.engage_time_s[0] == pytest.approx(2.0, abs=1e-12)
    assert rows.placement_error_mm[0] == pytest.approx(1121.0, abs=1e-9)
    assert rows.late_engage[0] == 1


# --- eyes -----------------------------------------------------------------------------


def test_carriers_that_the_eye_misses_or_merges():
    # tail of the first at 510 mm, off response 10 ms = 10 mm at 1000 mm/s
    eye = Eye(response_s=RESPONSE_S, off_response_s=0.010)
    whole = replace(machine(), carrier_eye=eye)
    cards = Cards(
        carriers=[
            carrier_at(300.0),
            carrier_at(519.0),  # merges, and holds until 729 + 10
            carrier_at(738.0),  # merges, and holds until 948 + 10
            carrier_at(955.0, missed=True),  # missed, holds nothing
            carrier_at(1170.0),
        ]
    )
    assert outcomes(plain_run(whole, cards, 5)) == [
        "PLACED",
        "MERGED",
        "MERGED",
        "NOT_SEEN",
        "PLACED",
    ]


def test_strays_doubles_and_misfeeds_are_booked():
    # Insert 1 is missed: it strays; 2 is nothing; 3 is staged; 4 is a double, missed; 5 staged
    inserts = {
        1: {"missed": True},
        2: {"drawn": False},
        4: {"missed": True, "double_mm": 10.0, "length_mm": LENGTH + 10.0},
    }
    cards = Cards(carriers=[carrier_at(1000.0 * (k + 1)) for k in range(4)], inserts=inserts)
    run = plain_run(machine(), cards, 3).feeders[0]
    assert list(run.insert) == [0, 3, 5]
    assert list(run.strays) == [1, 1, 0]
    books = run.books
    assert (books.drawn, books.placed, books.strays, books.second_halves) == (7, 3, 2, 1)
    assert books.in_feeder == 1
    assert run.placement_error_mm == pytest.approx(0.0, abs=1e-9)


def test_an_insert_close_behind_merges_until_the_slipped_tail_has_passed():
    # Insert 1 follows 0 with 20 mm between. With 21 mm of slip the tail of 0 passes after the
    # nose of 1, which merges and strays; with 19 it does not.
    for slip, staged in ((19.0, 1), (21.0, 2)):
        run = plain_run(machine(), Cards(inserts={0: {"slip_mm": slip}}), 3).feeders[0]
        row = list(run.outcome).index(0, 1)
        assert run.insert[row] == staged


def test_a_missed_insert_does_not_hold_the_output():
    # The eye sees insert 2 by 25 mm early, before the tail of 1, which it missed
    early = {"seen_edge_mm": 2.0 * PITCH - 25.0}
    for missed, staged in ((True, 2), (False, 1)):
        inserts = {1: {"missed": missed}, 2: early}
        cards = Cards(carriers=[carrier_at(300.0), carrier_at(1300.0)], inserts=inserts)
        run = plain_run(machine(), cards, 2).feeders[0]
        assert list(run.insert) == [0, staged]


def test_jog_by_hand():
    # Insert 0 has 20 mm to the eye at 200 mm/s: 0.1 s, switched 0.102 s with f = 20.4; the
    # command ends at 20.4 + 120 − 0.4 = 140: 0.7 s, ready 0.705 s. The belt starts there,
    # with 2 s at 500 mm/s²: 1000 mm at 2.705 s.
    run = plain_run(machine(start_empty=True), Cards(), 8)
    assert run.start_time_s == pytest.approx(0.705, abs=1e-12)
    rows = run.feeders[0]
    assert rows.stage_position_mm[0] == pytest.approx(STAGE, abs=1e-9)
    assert run.carriers.eye_time_s[3] == pytest.approx(2.705 + 0.2, abs=1e-12)
    assert rows.placement_error_mm[-1] == pytest.approx(0.0, abs=1e-9)
    nothing = Cards(inserts={i: {"drawn": False} for i in range(20)})
    empty = plain_run(machine(start_empty=True), nothing, 2)
    assert empty.start_time_s == pytest.approx(1500.0 / 200.0, abs=1e-12)
    assert outcomes(empty) == ["NO_INSERT", "NO_INSERT"]


def test_stage_correction_takes_a_stage_error_out():
    # disengage 6 mm late: staged 6 mm too far, placed 6/g early without the correction
    ratio = 1.05
    whole = machine(ratio=ratio)
    settings = whole.feeders[0].settings
    off = replace(settings, disengage_distance_mm=settings.disengage_distance_mm + 6.0 / ratio)
    plain = plain_run(with_feeder(whole, settings=off), Cards(), 5).feeders[0]
    assert plain.stage_position_mm[1:] == pytest.approx(STAGE + 6.0, abs=1e-9)
    assert plain.placement_error_mm[1:] == pytest.approx(-6.0 / ratio, abs=1e-9)
    corrected = with_feeder(whole, settings=replace(off, stage_correction=True))
    run = plain_run(corrected, Cards(), 5).feeders[0]
    assert run.stage_position_mm[1:] == pytest.approx(STAGE + 6.0, abs=1e-9)
    assert run.placement_error_mm == pytest.approx(0.0, abs=1e-9)


def test_stage_correction_is_in_force_only_while_staged():
    # Staged 6 mm too far: the second carrier's clutch closes at 1300 + 579 + 6 = 1885 mm, and
    # 216 ms later the feeder is ready, at 2.101 s. A carrier whose own point, uncorrected, is at
    # 2.098 s finds it not staged, though its corrected point would be at 2.104. One at 2.102
    # finds an insert staged, so its point is at 2.108.
    whole = machine()
    settings = whole.feeders[0].settings
    off = replace(
        settings, disengage_distance_mm=settings.disengage_distance_mm + 6.0, stage_correction=True
    )
    whole = replace(with_feeder(whole, settings=off), carriers=Carriers(Paced(100.0, 300.0)))
    for edge, outcome in ((1519.0, "NOT_STAGED"), (1523.0, "PLACED")):
        cards = Cards(carriers=[carrier_at(x) for x in (300.0, 1300.0, edge)])
        run = plain_run(whole, cards, 3)
        assert outcomes(run) == ["PLACED", "PLACED", outcome]
        assert run.feeders[0].ready_time_s[1] == pytest.approx(2.101, abs=1e-9)
    assert run.feeders[0].engage_time_s[2] == pytest.approx(2.108, abs=1e-9)
    assert run.feeders[0].late_engage[2] == 0


# --- several feeders, and chance --------------------------------------------------------


def test_feeders_do_not_disturb_each_other():
    whole = machine()
    alone = plain_run(whole, RunDraws(whole, 3), 20).feeders[0]
    two = replace(whole, feeders=whole.feeders * 2)
    both = plain_run(two, RunDraws(two, 3), 20).feeders
    for rows in both:
        assert np.array_equal(rows.placement_error_mm, alone.placement_error_mm)


def test_books_balance_with_every_chance_at_work():
    whole = machine()
    feeder = whole.feeders[0]
    whole = with_feeder(
        whole,
        inserts=replace(feeder.inserts, gap_sd_mm=4.0, misfeed=0.05, double=0.05),
        eye=Eye(0.002, 0.0005, 0.001, 0.3, 0.03, scanned=True),
    )
    whole = replace(
        whole,
        encoder=Encoder(0.1, 0.001),
        carrier_eye=Eye(0.002, 0.0005, 0.001, 0.3, 0.03),
        carriers=Carriers(Paced(210.0, 320.0, pitch_sd_mm=20.0)),
        controller=Controller(0.004, 0.001, 0.02, 1500.0),
    )
    run = plain_run(whole, RunDraws(whole, 11), 150).feeders[0]
    assert (run.outcome >= 0).all()
    assert run.books.placed == (run.outcome == Outcome.PLACED).sum()
    assert run.books.strays == run.strays[run.strays > 0].sum()
    assert run.books.in_feeder in (1, 2)
    assert abs(np.nanmean(run.placement_error_mm)) < 5.0
