"""Differences of two setups carrier by carrier, from records written by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.criteria import Criteria
from feedsim.metrics.hazards import hazards
from feedsim.metrics.paired import (
    mean_difference,
    sd_difference,
    share_difference,
)
from feedsim.metrics.paired_feeders import Ran, feeder_difference, with_hazard
from feedsim.metrics.rows import cycle_rows
from feedsim.metrics.spread import resolution_mm
from feedsim.records.joined import joined
from feedsim.records.outcome import Outcome
from tests.machines import run as simulated
from tests.random_machines import random_machine
from tests.unit import records_builder as by_hand
from tests.unit.records_builder import CRITERIA, missed, placed

NAMES = ("card feeder", "card feeder")
# Student's quantiles at 97.5 %, from any printed table: 19, 3 and 1 degrees of freedom
T19, T3, T1 = 2.0930, 3.1824, 12.706


def errors(*values):
    return [placed(placement_error_mm=value) for value in values]


def ran(rows, *, warm_up=0, criteria=CRITERIA, machine=None):
    feeders = [by_hand.feeder(rows)]
    return Ran(by_hand.run(*feeders, warm_up=warm_up), machine or by_hand.machine(), criteria)


def difference(first, other, **changes):
    return feeder_difference(ran(first, **changes), ran(other, **changes), number=0, names=NAMES)


def noise(n, seed=1):
    return np.random.Generator(np.random.PCG64(seed)).standard_normal(n)


def test_the_mean_is_that_of_the_differences_of_carriers_placed_in_both():
    first = errors(*[0.1, 0.3, -0.2, 9.0, 0.4] * 5)
    other = errors(*[0.3, 0.4, -0.1, 0.0, 0.8] * 5)
    first[3::5] = [missed(Outcome.LATE_MARK)] * 5
    d = difference(first, other).placement_mean
    # five times 0.2, 0.1, 0.1, 0.4: mean 0.2, sd √(0.3/19) = 0.125656, so ±2.0930·0.125656/√20
    assert d.n == 20
    assert d.difference_mm == pytest.approx(0.2, abs=1e-12)
    assert d.ci95_mm == pytest.approx((0.2 - 0.058808, 0.2 + 0.058808), abs=1e-5)
    assert (d.first_mm, d.other_mm) == pytest.approx((0.15, 0.35), abs=1e-12)
    assert not d.exact


def test_the_unpaired_interval_is_welch_s():
    # neighbours that are opposite, so that none is taken for alike
    first, other = np.array([1.0, 4.0, 2.0, 3.0] * 5), np.array([0.0, 4.0, 0.0, 0.0] * 5)
    low, high = mean_difference(first, other).unpaired_ci95_mm
    assert 0.5 * (low + high) == pytest.approx(-1.5)
    from scipy import stats

    welch = stats.ttest_ind(other, first, equal_var=False)
    assert (low, high) == pytest.approx(welch.confidence_interval(0.95), rel=1e-9)


def test_warm_up_is_left_out():
    first = errors(50.0, 0.1, 0.3)
    other = errors(-50.0, 0.3, 0.4)
    found = difference(first, other, warm_up=1)
    assert found.placement_mean.n == 2
    assert found.placement_mean.difference_mm == pytest.approx(0.15, abs=1e-12)
    assert found.missed.n == found.jam_risk.n == 2


def test_a_shift_of_every_card_has_no_width_and_the_spread_does_not_differ():
    e = noise(200)
    d, s = mean_difference(e, e + 0.2, resolution=1e-9), sd_difference(e, e + 0.2, resolution=1e-9)
    assert d.exact
    assert d.difference_mm == pytest.approx(0.2, abs=1e-12)
    assert d.ci95_mm == (d.difference_mm, d.difference_mm)
    assert (s.exact, s.difference_mm, s.ci95_mm, s.better) == (True, 0.0, (0.0, 0.0), None)
    # one card that moves otherwise, and it is not exact any more
    odd = e + 0.2
    odd[7] += 1e-6
    assert not mean_difference(e, odd, resolution=1e-9).exact
    assert not sd_difference(e, odd, resolution=1e-9).exact


def test_the_same_setup_twice_differs_by_exactly_nothing():
    rows = [*errors(*noise(60)), missed(Outcome.NOT_STAGED), placed(strays=1)]
    found = difference(rows, rows)
    for d in (found.placement_mean, found.placement_sd):
        assert (d.exact, d.difference_mm, d.ci95_mm, d.better) == (True, 0.0, (0.0, 0.0), None)
    for s in (found.within_tolerance, found.missed, found.jam_risk):
        assert (s.difference, s.only_first, s.only_other, s.better) == (0.0, 0, 0, None)
        # chance may still hide one: as wide as Bonett and Price make it
        assert s.ci95.low < 0.0 < s.ci95.high


def test_rounding_of_travels_is_no_difference():
    e = noise(100)
    d = mean_difference(e, e + 3e-10, resolution=2e-9)
    assert (d.exact, d.difference_mm, d.ci95_mm, d.better) == (True, 0.0, (0.0, 0.0), None)


@pytest.mark.parametrize(
    ("first", "other", "better"),
    [
        (0.8, 0.1, "other"),
        (0.1, 0.8, "first"),
        (-0.8, 0.1, "other"),
        (0.8, -0.1, "other"),
        (-0.1, 0.8, "first"),
        (-0.1, -0.8, "first"),
        (0.5, -0.5, None),  # they differ for sure, and neither is nearer
        (0.5, 0.5, None),
    ],
)
def test_the_better_mean_is_the_one_nearer_to_the_target(first, other, better):
    e, f = 0.05 * noise(400, 2), 0.05 * noise(400, 3)
    e, f = e - e.mean(), f - f.mean()
    d = mean_difference(first + e, other + f)
    assert d.better == better
    assert (d.ci95_mm.low > 0.0 or d.ci95_mm.high < 0.0) == (first != other)


def test_an_exact_shift_past_the_target_is_judged_by_its_sum():
    e = 0.05 * noise(400)
    e -= e.mean()
    assert mean_difference(e - 0.3, e + 0.1).better == "other"
    assert mean_difference(e - 0.2, e + 0.2).better is None


def test_the_smaller_spread_is_the_better_one_and_swapping_turns_all_signs():
    e = noise(400)
    d = sd_difference(2.0 * e, e + 0.3 * noise(400, 5))
    assert d.better == "other"
    back = sd_difference(e + 0.3 * noise(400, 5), 2.0 * e)
    assert back.better == "first"
    assert back.difference_mm == pytest.approx(-d.difference_mm, rel=1e-12)
    assert back.ci95_mm == pytest.approx((-d.ci95_mm.high, -d.ci95_mm.low), rel=1e-9)


def test_the_interval_of_a_spread_by_hand():
    # 40 values ±1 (first) and ±1 or ±3 (other, mean 0): batches of two. With s² = n/(n − 1)·mean
    # of squares, a value adds e²/2s² to ln s, and only differences between batches count. Batches,
    # and neighbours two apart, are opposite: nothing is alike.
    first = np.array([1.0, -1.0] * 20)
    other = first * np.repeat([1.0, 3.0] * 10, 2)
    s = math.sqrt(5.0 * 40.0 / 39.0)
    d = sd_difference(first, other)
    assert d.difference_mm == pytest.approx(s - math.sqrt(40.0 / 39.0), rel=1e-12)
    # batch means of the other differ by (9 − 1)/2s² = 4/s², ten of each: sd (4/s²)·√(1/4·20/19).
    # To first order the interval is that of s, whose end is s·exp(±half): sinh about L/2, and
    # (s₂ − s₁)·half/2 of the root of both, wholly alike.
    half = T19 * (4.0 / s**2) * math.sqrt(5.0 / 19.0) / math.sqrt(20.0)
    s1 = math.sqrt(40.0 / 39.0)
    log, g = math.log(s / s1), math.sqrt(s * s1)
    high = 2.0 * g * (math.sinh((log + half) / 2.0) - math.sinh(log / 2.0))
    assert d.ci95_mm.high - d.difference_mm == pytest.approx(
        high + d.difference_mm * half / 2.0, rel=1e-4
    )


def test_too_few_for_an_interval():
    one = difference(errors(0.1), errors(0.2))
    assert one.placement_mean.ci95_mm is None
    assert one.placement_sd.difference_mm is None
    few = difference(errors(*noise(19)), errors(*noise(19, 2)))
    assert few.placement_sd.difference_mm is not None
    assert few.placement_sd.ci95_mm is None
    assert few.placement_sd.better is None
    none = difference([missed(Outcome.LATE_MARK)] * 3, errors(0.1, 0.2, 0.3))
    assert none.placement_mean.difference_mm is None
    assert none.within_tolerance.ci95 is None
    assert none.within_tolerance.n == 0
    assert none.missed.difference == -1.0


def test_lengths_scale_with_the_unit():
    a, b = noise(300), 1.3 * noise(300, 2)
    for function in (mean_difference, sd_difference):
        small, large = function(a, b), function(25.4 * a, 25.4 * b)
        assert large.difference_mm == pytest.approx(25.4 * small.difference_mm, rel=1e-9)
        assert large.ci95_mm == pytest.approx([25.4 * end for end in small.ci95_mm], rel=1e-9)
        assert large.better == small.better


def test_several_runs_are_held_against_each_other():
    # Two runs of 12: differences of 0.1 in the one and of 0.3 in the other; 0.2 ± 12.706·0.1.
    both = [joined([by_hand.run(by_hand.feeder(errors(*run) * 4)) for run in runs])
            for runs in (((0.0, 1.0, 2.0), (0.0, 1.0, 2.0)),
                         ((0.1, 1.1, 2.1), (0.3, 1.3, 2.3)))]  # fmt: skip
    first, other = (Ran(records, by_hand.machine(), CRITERIA) for records in both)
    d = feeder_difference(first, other, number=0, names=NAMES).placement_mean
    assert d.ci95_mm == pytest.approx((0.2 - T1 * 0.1, 0.2 + T1 * 0.1), rel=1e-4)


def of_runs(*runs):
    records = joined([by_hand.run(by_hand.feeder(rows * 3)) for rows in runs])
    return Ran(records, by_hand.machine(), CRITERIA)


def test_runs_are_told_apart_where_carriers_are_missed():
    # Differences of 0.1 (9 carriers), 0.3 (6, 3 missed), none, and 0.5 (9): mean 7.2/24, run
    # means 0.1, 0.3 and 0.5 of sd 0.2, so ±4.3027·0.2/√3 (2 degrees of freedom).
    lost = missed(Outcome.NOT_SEEN)
    first = of_runs(errors(0, 1, 2), [*errors(0, 1), lost], [lost] * 3, errors(0, 1, 2))
    other = of_runs(
        errors(0.1, 1.1, 2.1), errors(0.3, 1.3, 9.0), errors(9, 9, 9), errors(0.5, 1.5, 2.5)
    )
    d = feeder_difference(first, other, number=0, names=NAMES).placement_mean
    assert d.n == 24
    half = 4.3027 * 0.2 / math.sqrt(3.0)
    assert d.ci95_mm == pytest.approx((0.3 - half, 0.3 + half), rel=1e-4)


def test_shares_count_the_carriers_that_differ():
    bad = missed(Outcome.NOT_STAGED)
    first = [bad, bad, *errors(0.0, 2.0, 2.0, 0.0), placed(strays=1), placed(double=1)]
    other = [bad, *errors(0.0, 2.0, 2.0, 0.0), bad, placed(), placed(double=1)]
    found = difference(first, other)
    assert (found.missed.n, found.missed.only_first, found.missed.only_other) == (8, 1, 1)
    # placed in both: rows 2, 3, 4, 6 and 7; 0.0/2.0, 2.0/2.0, 2.0/0.0 and two at 0.0
    within = found.within_tolerance
    assert (within.n, within.only_first, within.only_other) == (5, 1, 1)
    assert (within.first, within.other) == pytest.approx((0.6, 0.6))
    assert (found.jam_risk.n, found.jam_risk.only_first, found.jam_risk.only_other) == (8, 1, 0)
    assert found.jam_risk.difference == pytest.approx(-0.125)


def test_the_better_share_is_the_larger_or_the_smaller_as_told():
    none, some = np.zeros(500, dtype=np.bool_), np.zeros(500, dtype=np.bool_)
    some[::10] = True
    assert share_difference(none, some, more_is_better=True).better == "other"
    assert share_difference(none, some, more_is_better=False).better == "first"
    assert share_difference(some, none, more_is_better=False).better == "other"
    some[:] = False
    some[::100] = True  # 5 to 0 is not enough, by the exact test of 5 to 0: 2/2⁵ = 0.0625
    assert share_difference(none, some, more_is_better=False).better is None


def test_each_setup_is_held_against_its_own_tolerance():
    wide = ran(errors(1.0, 2.0), criteria=replace(CRITERIA, placement_tolerance_mm=2.5))
    found = feeder_difference(ran(errors(1.0, 2.0)), wide, number=0, names=NAMES)
    assert (found.within_tolerance.first, found.within_tolerance.other) == (0.5, 1.0)


def test_records_of_other_carriers_are_refused():
    with pytest.raises(ValueError, match="same carriers"):
        feeder_difference(ran(errors(0.1)), ran(errors(0.1, 0.2)), number=0, names=NAMES)
    with pytest.raises(ValueError, match="same carriers"):
        feeder_difference(
            ran(errors(0.1, 0.1)), ran(errors(0.1, 0.2), warm_up=1), number=0, names=NAMES
        )


HAZARDOUS = {
    "nose strike": {"stage_position_mm": 95.1},
    "tail held": {"tail_mm": 99.9},
    "speed mismatch, fast": {"nose_speed_mm_s": 1051.0},
    "speed mismatch, slow": {"nose_speed_mm_s": 949.0},
    "belt at rest": {"belt_speed_mm_s": 0.0},
    "off carrier, front": {"offset_mm": -0.1},
    "off carrier, back": {"offset_mm": 124.5},  # 210 − 85.6 = 124.4
    "stray": {"strays": 2},
    "double": {"double": 1},
    "overload": {"demanded_acceleration_mm_s2": 150_001.0},
}
HARMLESS = {
    "nose at its limit": {"stage_position_mm": 95.0},
    "tail at its limit": {"tail_mm": 100.0},
    "mismatch at its limit": {"nose_speed_mm_s": 1050.0},
    "at the edge": {"offset_mm": 124.4},
    "drive at its limit": {"demanded_acceleration_mm_s2": 150_000.0},
    "a rounding past the nose limit": {"stage_position_mm": 95.0 + 5e-10},
    "a rounding before the grip end": {"tail_mm": 100.0 - 5e-10},
    "a rounding off the front": {"offset_mm": -5e-10},
    "a rounding off the back": {"offset_mm": 124.4 + 5e-10},
    "never landed": {"nose_speed_mm_s": math.nan, "offset_mm": math.nan},
}


@pytest.mark.parametrize("changes", HAZARDOUS.values(), ids=HAZARDOUS)
def test_every_hazard_counts(changes):
    assert with_hazard(ran([placed(), placed(**changes)]), 0).tolist() == [False, True]


@pytest.mark.parametrize("changes", HARMLESS.values(), ids=HARMLESS)
def test_at_the_limit_is_no_hazard(changes):
    assert (
        with_hazard(ran([placed(**changes), missed(Outcome.NOT_SEEN)]), 0).tolist() == [False] * 2
    )


def test_hazards_are_those_of_the_jam_risk_on_odd_machines():
    criteria = Criteria(1.5, 0.997, 0.001, 0.001, 0.01, 0.0)
    seen = 0
    for seed in range(40):
        machine = random_machine(seed)
        records = simulated(machine, carriers=40, seed=seed)
        for number, what in enumerate(machine.feeders):
            rows = cycle_rows(records.feeders[number], 0)
            _, risk = hazards(
                records.feeders[number],
                rows,
                machine=what,
                room_mm=machine.carriers.length_mm - what.inserts.length_mm,
                criteria=criteria,
                resolution_mm=resolution_mm(records),
            )
            found = with_hazard(Ran(records, machine, criteria), number)
            assert int(found.sum()) == risk.count
            seen += 0 < risk.count < len(found)
    assert seen > 5  # some, but not all, in more than a few
