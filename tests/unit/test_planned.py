"""Which carriers a planned change divides, and what that makes of batches, by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.machine import (
    Adjust,
    Clearing,
    FaultKind,
    Line,
    Machine,
    PlannedFault,
    Setting,
    StopRules,
    Supervision,
    When,
)
from feedsim.metrics import course, spread, spread_intervals
from feedsim.metrics.clusters import design_effect, in_order
from feedsim.metrics.course import (
    BATCHES,
    Course,
    batches_of,
    numbered,
    per_stratum,
    squares_per_stratum,
    together,
)
from feedsim.metrics.intervals import wilson
from feedsim.metrics.means import uncertainty
from feedsim.metrics.moves import Moves
from feedsim.metrics.planned import course_of
from feedsim.metrics.serial import lag_one
from feedsim.metrics.share import share_of
from feedsim.metrics.spread_intervals import sd_interval
from feedsim.records.columns import CarrierRecords, RunRecords
from feedsim.records.corners import corners_s
from feedsim.records.joined import joined
from feedsim.records.stop import Adjustment, Rule, Stop
from feedsim.simulation.line import LineRun
from tests.unit import records_builder as by_hand
from tests.unit.test_adjust import MORE
from tests.unit.test_stops import draws_of, hand_line

ROWS = 20
CHANGE = Adjust(When(3.1), settings=((0, Setting.ENGAGE_DISTANCE, 365.0),))


def line(**supervision: object) -> Machine:
    """Return a line at 1000 mm/s that is at its speed at once; to a target it is 420 mm."""
    return replace(hand_line(**supervision), line=Line(1000.0, acceleration_mm_s2=1e6))


def records(**changes: object) -> RunRecords:
    """Return records of a carrier every 300 mm and 0.3 s, the first at 0."""
    rows = np.arange(ROWS)
    base = by_hand.run(by_hand.feeder([by_hand.placed()] * ROWS))
    carriers = CarrierRecords(leading_edge_mm=300.0 * rows, eye_time_s=0.3 * rows)
    return replace(base, carriers=carriers, **changes)  # type: ignore[arg-type]


def stop(time_s: float, restarted_s: float, run: int = 0) -> Stop:
    return Stop(
        Rule.EMERGENCY_STOP,
        "emergency_stop",
        -1,
        -1,
        time_s,
        time_s,
        restarted_s,
        ((),),
        (),
        (),
        run,
    )


def labels(found: Course) -> list[int]:
    assert found.strata is not None
    return found.strata.tolist()


def test_a_change_parts_what_comes_before_and_after_from_what_is_under_way() -> None:
    # At 3.1 s carrier 10 is 100 mm past the eye, carrier 9 400 mm: neither is at its target.
    found = course_of(
        records(adjustments=(Adjustment(3.1, 11),)), line(adjusts=(CHANGE,), faults=())
    )
    assert labels(found) == [0] * 9 + [1] * 2 + [2] * 9


def test_the_belt_gets_the_time_to_come_to_its_speed() -> None:
    # from 0 to 1000 mm/s at 2000 mm/s² takes 0.5 s: carriers 11 (3.3 s) and 12 (3.6 s) come in it
    slow = replace(line(adjusts=(CHANGE,)), line=Line(1000.0, acceleration_mm_s2=2000.0))
    found = course_of(records(adjustments=(Adjustment(3.1, 11),)), slow)
    assert labels(found) == [0] * 9 + [1] * 4 + [2] * 7


def test_a_planned_fault_is_over_with_the_restart() -> None:
    # The eye sees nothing from 3.0 s (carrier 10) to the restart at 23.0 s.
    fault = PlannedFault(When(carrier=10), FaultKind.EMERGENCY_STOP)
    times = 0.3 * np.arange(ROWS) + 20.0 * (np.arange(ROWS) > 10)
    kept = records(stops=(stop(3.0, 23.0),))
    kept = replace(kept, carriers=replace(kept.carriers, eye_time_s=times))
    assert labels(course_of(kept, line(faults=(fault,)))) == [0] * 9 + [1] * 2 + [0] * 9


def test_a_dirty_eye_is_over_as_it_is_clean_or_the_line_cleared() -> None:
    fault = PlannedFault(When(3.1), FaultKind.EYE_DIRTY, duration_s=1.0)
    dirty = line(faults=(fault,))
    dirty = replace(dirty, line=Line(1000.0, acceleration_mm_s2=2000.0))
    assert labels(course_of(records(), dirty)) == [0] * 9 + [1] * 5 + [0] * 6
    cleared = records(stops=(stop(3.2, 3.4),))
    at_carrier = line(faults=(replace(fault, when=When(carrier=10)),))  # at its speed at once
    assert labels(course_of(cleared, at_carrier)) == [0] * 9 + [1] * 3 + [0] * 8


def test_a_change_while_an_eye_is_dirty_parts_what_it_does_not_see_too() -> None:
    # dirty from carrier 10 (3.0 s) to 4.5 s, changed at carrier 13 (3.9 s): 12 and 13 are under way
    fault = PlannedFault(When(carrier=10), FaultKind.EYE_DIRTY, duration_s=1.5)
    changed = records(adjustments=(Adjustment(3.9, 13),))
    machine = line(faults=(fault,), adjusts=(replace(CHANGE, when=When(carrier=13)),))
    expected = [0] * 9 + [1] * 3 + [2] * 2 + [3] * 2 + [4] * 4
    assert labels(course_of(changed, machine)) == expected


def test_a_change_on_a_standing_line_is_under_way_until_the_restart() -> None:
    # Stopped at 3.0 s (carrier 10), restarted at 23.0 s; to 1000 mm/s at 2000 mm/s² takes 0.5 s.
    slow = replace(line(adjusts=(CHANGE,)), line=Line(1000.0, acceleration_mm_s2=2000.0))
    fault = PlannedFault(When(carrier=10), FaultKind.EMERGENCY_STOP)
    slow = replace(slow, supervision=replace(slow.supervision, faults=(fault,)))  # type: ignore[type-var]
    times = 0.3 * np.arange(ROWS) + 20.0 * (np.arange(ROWS) > 10)
    kept = records(stops=(stop(3.0, 23.0),), adjustments=(Adjustment(3.1, 11),))
    kept = replace(kept, carriers=replace(kept.carriers, eye_time_s=times))
    # carrier 11 (23.3 s) comes as the belt speeds up
    assert labels(course_of(kept, slow)) == [0] * 9 + [1] * 3 + [2] * 8


CLEARING = StopRules(no_insert=True, clearing=Clearing(0.6))
STOOD_MM = 600.0 + 500.0 * 1000.0 * (1e-6 + 1.0 / 2000.0)
"""Of belt at 1000 mm/s: 0.6 s, and ramps of 1e6 and 2000 mm/s² at half the speed."""


def variances(found: Course) -> list[float]:
    """Return the variance of where each end of the only run's strata lies, in carriers²."""
    (moves,) = found.moves
    return np.square(moves.by).sum(axis=0).tolist()  # type: ignore[no-any-return]


def by_stops(number: float, carriers: float, stood: float) -> float:
    """Return Σ min(stood, N − m)² of so many stops that lie evenly in N carriers, by hand."""
    rest = carriers - stood
    return number * (stood**2 * rest + stood**3 / 3.0)


def test_a_stop_that_did_not_come_may_move_a_time() -> None:
    made = {"adjustments": (Adjustment(3.1, 11),)}
    # both ends of the change at 3.1 s, after 10.33 carriers; half a stop in 20 carriers
    found = course_of(records(**made), line(adjusts=(CHANGE,), rules=CLEARING))
    assert labels(found) == [0] * 9 + [1] * 2 + [2] * 9
    expected = by_stops(0.5 / 20.0, 3.1 / 0.3, STOOD_MM / 300.0)
    assert variances(found) == pytest.approx([expected] * 2, rel=1e-3)
    assert (found.moves[0].before.tolist(), found.moves[0].after.tolist()) == ([0, 1], [1, 2])
    # nothing moves a carrier, and nothing stops a line without rules
    at_carrier = line(adjusts=(replace(CHANGE, when=When(carrier=11)),), rules=CLEARING)
    assert course_of(records(**made), at_carrier).moves == ()
    assert course_of(records(**made), line(adjusts=(CHANGE,), rules=StopRules())).moves == ()


def test_stops_seen_move_a_time_by_as_long_as_the_belt_stood() -> None:
    made = {"adjustments": (Adjustment(3.1, 11),)}
    machine = line(adjusts=(CHANGE,), rules=CLEARING)
    by_chance = replace(stop(4.2, 4.8), rule=Rule.NO_INSERT, cause="")
    found = course_of(records(**made, stops=(by_chance,)), machine)
    # one and a half; the line could not stop while it stood for one
    n, stood = 3.1 / 0.3, STOOD_MM / 300.0
    dead = 1.0 + stood / 20.0 * (1.0 - stood / n) ** 2
    expected = by_stops(1.5 / 20.0, n / dead, stood / dead)
    assert variances(found) == pytest.approx([expected] * 2, rel=1e-3)


def test_a_planned_stop_moves_a_time_as_its_clearing_spreads() -> None:
    fault = PlannedFault(When(carrier=1), FaultKind.EMERGENCY_STOP)
    kept = records(adjustments=(Adjustment(3.1, 11),), stops=(stop(0.3, 0.3),))
    for clearing, sd_s in (
        (Clearing(), 0.0),
        (Clearing(0.2, cv=0.5), 0.1),
        (Clearing(0.2, exponential=True), 0.2),
    ):
        machine = line(adjusts=(CHANGE,), faults=(fault,), rules=StopRules(clearing=clearing))
        found = course_of(kept, machine)
        assert bool(found.moves) is (sd_s > 0.0)
        if sd_s:
            # 11 carriers came to the last end in 3.3 s, of which ramps took what they did
            carriers = sd_s * 11.0 / (3.3 - (STOOD_MM - 600.0) / 1e3)
            assert variances(found) == pytest.approx([carriers**2] * 2, rel=0.01)


def test_a_planned_stop_moves_a_time_by_no_more_than_lay_ahead() -> None:
    # The change comes 0.1 s after the stop began, so that any clearing lasts into it: no spread.
    fault = PlannedFault(When(carrier=10), FaultKind.EMERGENCY_STOP)
    rules = StopRules(clearing=Clearing(5.0, cv=0.5))
    machine = line(adjusts=(CHANGE,), faults=(fault,), rules=rules)
    times = 0.3 * np.arange(ROWS) + 5.0 * (np.arange(ROWS) > 10)
    kept = records(adjustments=(Adjustment(3.1, 11),), stops=(stop(3.0, 8.0),))
    kept = replace(kept, carriers=replace(kept.carriers, eye_time_s=times))
    assert course_of(kept, machine).moves == ()


def test_a_double_check_may_stop_the_line_without_any_rule() -> None:
    made = {"adjustments": (Adjustment(3.1, 11),)}
    machine = line(adjusts=(CHANGE,), rules=StopRules(clearing=Clearing(0.6)))
    assert course_of(records(**made), machine).moves == ()
    check = replace(machine.feeders[0].double_check, stops=True)
    machine = replace(machine, feeders=(replace(machine.feeders[0], double_check=check),))
    expected = by_stops(0.5 / 20.0, 3.1 / 0.3, STOOD_MM / 300.0)
    assert variances(course_of(records(**made), machine)) == pytest.approx([expected] * 2, rel=1e-3)


def test_a_dirty_eye_may_be_cleaned_early() -> None:
    # Dirty from carrier 2 (0.6 s) for 3 s, seen again after 12 carriers: a stop at carrier m from
    # 2 on cleans it, 12 − m carriers early; one before that lasts into it too, others take c.
    fault = PlannedFault(When(carrier=2), FaultKind.EYE_DIRTY, duration_s=3.0)
    (last,) = variances(course_of(records(), line(faults=(fault,), rules=CLEARING)))
    expected = 0.5 / 20.0 * 12.0**3 / 3.0  # c is 2.8: every stop before carrier 2 lasts into it
    assert last == pytest.approx(expected, rel=1e-3)


def test_carriers_that_are_left_out_count_where_a_change_comes() -> None:
    base = line(adjusts=(CHANGE,), rules=StopRules())
    uneven = replace(base, carriers=replace(base.carriers, missing=0.05))
    one = records(warm_up=4, adjustments=(Adjustment(3.1, 11),))
    for moves in course_of(joined([one, one]), uneven).moves:
        assert np.square(moves.by).sum(axis=0) == pytest.approx([0.05 * 3.1 / 0.3] * 2)


def test_stops_move_a_corner_by_the_ramps_of_the_belt_alone() -> None:
    corners = ((0.0, 1000.0), (3.1, 1000.0), (3.2, 900.0))
    steady = replace(line(rules=CLEARING), line=Line(1000.0, 1e6, profile=corners))
    found = course_of(records(), steady)
    expected = 0.5 / 20.0 * 9.0 * ((STOOD_MM - 600.0) / 300.0) ** 2
    assert variances(found)[0] == pytest.approx(expected, rel=0.02)


def test_a_fault_that_nothing_ends_lasts() -> None:
    fault = PlannedFault(When(3.1), FaultKind.NO_INSERT)
    assert labels(course_of(records(), line(faults=(fault,)))) == [0] * 9 + [1] * 11


def test_a_corner_of_the_profile_comes_later_by_the_stops_before_it() -> None:
    corners = ((0.0, 1000.0), (3.1, 1000.0), (3.2, 900.0))
    steady = replace(line(), line=Line(1000.0, acceleration_mm_s2=1e6, profile=corners))
    # The first is before all. Carriers 9 and 10 are under way at 3.1 s, and at 3.2 s.
    assert labels(course_of(records(), steady)) == [0] * 9 + [1] * 11
    # 1.2 s later, at 4.3 s, carriers 13 and 14 are
    delayed = records(stops=(stop(0.5, 1.7),))
    assert labels(course_of(delayed, steady)) == [0] * 13 + [1] * 7
    # and 0.6 s later still, at 4.9 s, carriers 15 and 16, if it takes 0.6 s to come to 1000 mm/s
    slow = replace(steady, line=Line(1000.0, acceleration_mm_s2=1000.0 / 0.6, profile=corners))
    assert labels(course_of(delayed, slow)) == [0] * 15 + [1] * 5


def test_a_line_speed_takes_the_place_of_what_is_left_of_a_profile() -> None:
    corners = ((0.0, 1000.0), (4.0, 900.0))
    faster = Adjust(When(3.1), speed_mm_s=1100.0)
    machine = replace(line(adjusts=(faster,)), line=Line(1000.0, 1e6, profile=corners))
    changed = records(adjustments=(Adjustment(3.1, 11),))
    assert labels(course_of(changed, machine)) == [0] * 9 + [1] * 2 + [2] * 9


def test_nothing_planned_or_only_before_the_counted_ones_is_one_stratum() -> None:
    assert course_of(records(), line()).strata is None
    changed = records(adjustments=(Adjustment(0.1, 1),), warm_up=3)
    assert course_of(changed, line(adjusts=(CHANGE,))).strata is None


def test_joined_runs_are_divided_as_each_was() -> None:
    fault = PlannedFault(When(carrier=14), FaultKind.EMERGENCY_STOP)
    machine = line(adjusts=(CHANGE,), faults=(fault, PlannedFault(When(1.3), FaultKind.NO_INSERT)))
    one = records(warm_up=4, adjustments=(Adjustment(3.1, 11),), stops=(stop(4.2, 4.4),))
    alone = course_of(one, machine)
    both = course_of(joined([one, one]), machine)
    assert both.begins == (0, ROWS - 4)
    assert numbered(np.array(labels(alone), np.int32)[4:]).tolist() * 2 == labels(both)


def test_two_setups_are_divided_by_the_changes_of_both() -> None:
    one, other = (Course((0,), np.array(k, np.int32)) for k in ([0, 0, 1, 1], [0, 1, 1, 1]))
    assert together(one, Course()) is one
    assert together(Course(), one) is one
    assert labels(together(one, other)) == [0, 1, 2, 2]


@pytest.mark.parametrize("sizes", [(500, 500), (300, 3, 697), (120, 4, 276, 600)])
def test_the_means_of_strata_cost_what_their_projection_does(sizes: tuple[int, ...]) -> None:
    # Residuals are (1 − P)·x, P the projection onto the strata; the squares of b batch means of
    # independent values of variance V then add up to tr(B·(1 − P)·V·Bᵀ), of means that are known
    # to tr(B·V·Bᵀ) (numpy, not our sum).
    of = np.repeat(np.arange(len(sizes), dtype=np.int32), sizes)
    rng = np.random.default_rng(5)
    values = rng.standard_normal(len(of)) * (1.0 + of)
    cut = batches_of(values, of)
    variances = [values[of == k].var(ddof=1) for k in range(len(sizes))]
    means = np.kron(np.eye(BATCHES), np.full((1, cut.size), 1.0 / cut.size))
    one_hot = (of[:, None] == np.arange(len(sizes))).astype(float)
    left = np.eye(len(of)) - one_hot @ np.linalg.pinv(one_hot)
    assert cut.number == BATCHES
    known = np.diag(np.array(variances)[of])
    worth = np.trace(means @ left @ known @ means.T) / np.trace(means @ known @ means.T)
    assert 1.0 - cut.lost / BATCHES == pytest.approx(float(worth), rel=1e-9)


def test_many_strata_get_more_batches_and_too_many_none() -> None:
    fourths = np.repeat(np.arange(4, dtype=np.int32), 250)
    values = np.random.default_rng(6).standard_normal(1000)
    # ten batches of 25 in each stratum: whatever these vary, a tenth of each is lost
    assert batches_of(values, fourths).number == 2 * BATCHES
    assert batches_of(values, fourths).lost == pytest.approx(4.0)
    assert batches_of(values, np.arange(1000, dtype=np.int32) // 2).strata is None
    assert batches_of(values, np.zeros(1000, np.int32)) == batches_of(values)


def test_how_many_values_a_stratum_has_is_chance() -> None:
    # 30 of 40 carriers at 0 mm, 10 of 10 at 4 mm, mean 1 mm: 30·(1 − 30/40) = 7.5 values more or
    # less at 1 mm from it; 10 or 11 at 3 mm are 1/4: (7.5·1² + 3²/4)/40² mm² without any spread
    of = np.repeat(np.arange(2, dtype=np.int32), (40, 10))
    rows = np.flatnonzero((np.arange(50) % 4 < 3) | (of == 1))
    some = Course((0,), of).among(rows)
    values = 4.0 * of[rows]
    assert some.by_size(values) == pytest.approx(9.75 / 1600.0, rel=1e-12)
    assert uncertainty(values, some).variance == pytest.approx(9.75 / 1600.0, rel=1e-12)
    # A mask says the same, and so do values whose strata have other numbers.
    mask = np.zeros(50, dtype=np.bool_)
    mask[rows] = True
    assert Course((0,), of).among(mask).by_size(values) == some.by_size(values)
    assert Course((0,), 3 * of + 1).among(mask).by_size(values) == some.by_size(values)


def test_a_time_comes_at_another_carrier_as_pitches_spread() -> None:
    # As many carriers as pitches fit into a time: their variance is that of the pitch over its mean
    # squared, times their number (renewals). 10 mm of 300 mm, and none in 5 % of the pitches.
    kept = records(adjustments=(Adjustment(3.1, 11),))
    base = line(adjusts=(CHANGE,), rules=StopRules())
    law = replace(base.carriers.arrival, pitch_sd_mm=10.0)
    uneven = replace(base, carriers=replace(base.carriers, arrival=law, missing=0.05))
    # at 3.1 s, after 10.33 carriers on average
    expected = (0.05 + 0.95 * (10.0 / 300.0) ** 2) * 3.1 / 0.3
    assert variances(course_of(kept, uneven)) == pytest.approx([expected] * 2, rel=1e-9)
    at_carrier = replace(CHANGE, when=When(carrier=11))
    uneven = replace(uneven, supervision=Supervision(adjusts=(at_carrier,)))
    assert course_of(kept, uneven).moves == ()


def test_an_end_that_moves_costs_its_step() -> None:
    # 10 values at 0 mm, 5 at 7 mm, then 25 at 4 mm: 2 carriers fewer before and 2 fewer under way
    # cost 2·(4 mm − 7 mm) + 2·(7 mm − 0 mm), as 2·(4 mm − 0 mm)
    of = np.repeat(np.arange(3, dtype=np.int32), (10, 5, 25))
    values = np.array([0.0, 7.0, 4.0])[of]
    before, after = np.array([0, 1], np.int32), np.array([1, 2], np.int32)
    both = Moves(before, after, np.array([[-2.0, -2.0]]))
    assert Course((0,), of, moves=(both,)).by_size(values) == pytest.approx(8.0**2 / 1600.0)
    # causes are independent: their squares add up
    alone = Moves(before, after, np.array([[-2.0, 0.0], [0.0, 3.0]]))
    expected = (14.0**2 + 9.0**2) / 1600.0
    assert Course((0,), of, moves=(alone,)).by_size(values) == pytest.approx(expected)
    # half the carriers of each stratum have a value, so that moving one costs half as much
    half = Course((0,), np.repeat(of, 2), moves=(both,)).among(np.r_[0:78:2, 79])
    missed = Course((0,), np.repeat(of, 2)).among(np.r_[0:78:2, 79]).by_size(values)
    assert half.by_size(values) - missed == pytest.approx(4.0**2 / 1600.0)


def test_ends_of_two_setups_move_together() -> None:
    # of the second setup, whose strata end at 10 and 30; those of the first at 20 of 40 carriers
    first = Course((0,), np.repeat(np.arange(2, dtype=np.int32), (20, 20)))
    of = np.repeat(np.arange(3, dtype=np.int32), (10, 20, 10))
    moves = Moves(np.array([0], np.int32), np.array([1], np.int32), np.array([[2.0]]))
    other = Course((0,), of, moves=(moves,))
    values = 4.0 * of
    expected = other.by_size(values)
    assert expected == pytest.approx((2.0 * 4.0) ** 2 / 1600.0)
    assert together(first, other).by_size(values) == pytest.approx(expected)
    assert together(other, first).by_size(values) == pytest.approx(expected)
    assert together(together(first, other), first).by_size(values) == pytest.approx(expected)


def test_shares_know_where_a_change_may_come() -> None:
    # p = 0 before, then 1: 10 carriers more or less are 10 hits, where independent outcomes with a
    # share of 1/2 have a variance of 400/4
    hits = np.arange(400) >= 200
    moves = Moves(np.array([0], np.int32), np.array([1], np.int32), np.array([[10.0]]))
    course, fixed = (Course((0,), hits.astype(np.int32), moves=m) for m in ((moves,), ()))
    apart = design_effect(in_order(hits, course)) - design_effect(in_order(hits, fixed))
    assert apart == pytest.approx(10.0**2 / 100.0)


def test_runs_that_all_lack_a_stop_know_of_it() -> None:
    # three runs of the same values: their means do not differ, but a change may come elsewhere
    of = np.tile(np.repeat(np.arange(2, dtype=np.int32), (20, 20)), 3)
    moves = Moves(np.array([0], np.int32), np.array([1], np.int32), np.array([[2.0]]))
    values, begins = 4.0 * of, (0, 40, 80)
    found = uncertainty(values, Course(begins, of, moves=(moves,)))
    assert found.variance == pytest.approx((2.0 * 4.0) ** 2 / 120.0**2)
    assert uncertainty(values, Course(begins, of)).variance == 0.0


def test_a_step_in_a_share_is_no_cluster() -> None:
    # 400 of 400 after 0 of 400: as one stratum a single cluster, in two nothing is left to chance
    hits = np.arange(800) >= 400
    parted = Course((0,), hits.astype(np.int32))
    assert design_effect(in_order(hits)) > 500.0
    p = (0.0 + 3.84 * 0.5) / (400.0 + 3.84)
    gain = p * (1.0 - p) / 0.25
    assert design_effect(in_order(hits, parted)) == pytest.approx(gain, rel=1e-9)
    found = share_of(hits, parted)
    # as wide as some four outcomes either way, of 800: none seen on either side leave 3.84 open
    assert found.ci95 == pytest.approx(wilson(0.5, 800.0 / gain), rel=1e-9)
    assert 800.0 * (found.ci95.high - 0.5) == pytest.approx(1.96 * math.sqrt(3.84), rel=0.01)  # type: ignore[union-attr]


def test_outcomes_that_are_alike_gain_nothing_from_strata() -> None:
    nothing = np.zeros(800, dtype=np.bool_)
    parted = Course((0,), (np.arange(800) >= 790).astype(np.int32))
    assert share_of(nothing, parted) == share_of(nothing)


def test_a_stratum_without_a_value_changes_nothing() -> None:
    # Stratum 1 is the carriers that a dirty eye did not see, of which none was placed.
    rng = np.random.default_rng(7)
    values = np.cumsum(rng.standard_normal(400)) / 10.0  # neighbours are alike
    of = (np.arange(400) >= 200).astype(np.int32)
    found, gap = (sd_interval(values, course=Course((0,), k)) for k in (of, 2 * of))
    assert found is not None
    assert gap == found


def test_strata_are_summed_in_parts_as_in_one(monkeypatch: pytest.MonkeyPatch) -> None:
    # numpy's own sums, of all values at once; strata 0 and 2 come back
    of = np.repeat(np.array([0, 1, 0, 2, 3, 2], np.int32), (70, 5, 60, 80, 4, 101))
    values = np.random.default_rng(8).standard_normal(len(of)) + of
    counts, sums = np.bincount(of), np.bincount(of, values)
    off = values - (sums / counts)[of]
    whole = sd_interval(values, course=Course((0,), of))
    for module in (course, spread_intervals, spread):
        monkeypatch.setattr(module, "AT_ONCE", 7)
    assert per_stratum(of).tolist() == counts.tolist()
    assert per_stratum(of, values) == pytest.approx(sums, rel=1e-12)
    assert Course((0,), of).residuals(values) == pytest.approx(off, abs=1e-12)
    assert squares_per_stratum(values, of, sums / counts) == pytest.approx(
        np.bincount(of, off * off), rel=1e-12
    )
    assert sd_interval(values, course=Course((0,), of)) == pytest.approx(whole, rel=1e-12)
    cut = batches_of(values, of)
    rows = of[cut.first :].reshape(cut.number, cut.size)
    assert cut.strata is not None
    assert cut.strata.sizes.tolist() == [np.bincount(row, minlength=4).tolist() for row in rows]


def test_neighbours_are_the_next_of_their_stratum_beyond_what_lies_between() -> None:
    of = np.repeat(np.array([0, 1, 0, 2, 1, 2]), (40, 30, 30, 40, 30, 50))
    off = np.random.default_rng(9).standard_normal(len(of))
    off -= (np.bincount(of, off) / np.bincount(of))[of]
    parts = [off[of == k] for k in range(3)]
    expected = sum(part[1:] @ part[:-1] for part in parts) / (off @ off)
    found = lag_one(off, of)
    assert found is not None
    assert found.correlation == pytest.approx(expected, rel=1e-12)


def test_corners_are_where_the_belt_of_the_run_has_them() -> None:
    # two stops: the second trips while the belt still comes back to its speed
    corners = ((0.0, 1000.0), (1.4, 1000.0), (1.9, 700.0), (2.6, 700.0))
    faults = tuple(PlannedFault(When(at), FaultKind.EMERGENCY_STOP) for at in (0.8, 8.2))
    machine = replace(hand_line(faults=faults), line=Line(1000.0, 500.0, corners))
    run = LineRun(machine, draws_of(machine, MORE), carriers=len(MORE))
    stops = run.run().stops
    assert len(stops) == 2
    pieces = [piece.start_s for piece in run.conveyor.master.belt.pieces]
    found = corners_s(machine.line, stops, zero_s=0.0)
    for at in found[1:]:
        assert min(abs(at - start) for start in pieces) < 1e-9
    assert found[1] > 10.0
