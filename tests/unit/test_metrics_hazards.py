"""Every hazard on hand-made cycles; expected numbers are worked out beside them."""

import math
from dataclasses import asdict, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from feedsim.metrics.results import summarise
from feedsim.records.outcome import Outcome
from tests.unit.records_builder import (
    CRITERIA,
    NO,
    feeder,
    machine,
    missed,
    one_feeder,
    placed,
    run,
    summary,
)

HAZARDS = (
    "nose_strike",
    "tail_held",
    "speed_mismatch",
    "off_carrier",
    "stray_insert",
    "double",
    "drive_overload",
)


def figures(rows, **options):
    return summary(rows, **options).feeders[0]


def overload(demands, largest):
    """Return the drive overload of cycles with these demanded accelerations."""
    results = summarise(
        run(feeder([placed(demanded_acceleration_mm_s2=a) for a in demands])),
        machine(one_feeder(max_acceleration_mm_s2=largest)),
        criteria=CRITERIA,
        names=("a",),
        title="",
        seed=1,
        version="",
    )
    return results.feeders[0].hazards.drive_overload


def test_a_clean_run_has_no_hazard_and_the_margins_of_the_machine():
    # nose 95 − 60; tail 105 − 100; speed 5 % − 0; offset min(20, 210 − 20 − 85.6); 150 − 50 m/s².
    found = figures([placed(), placed()])
    assert found.hazards.nose_strike.margin_mean == 35.0
    assert found.hazards.tail_held.margin_mean == 5.0
    assert found.hazards.speed_mismatch.margin_mean == pytest.approx(5.0, rel=1e-9)
    assert found.hazards.off_carrier.margin_mean == 20.0
    assert found.hazards.stray_insert.margin_mean is None
    assert found.hazards.double.margin_mean is None
    assert found.hazards.drive_overload.margin_mean == 100_000.0
    for name in HAZARDS:
        hazard = getattr(found.hazards, name)
        counted_only = name in {"stray_insert", "double"}
        assert (hazard.count, hazard.share) == (0, 0.0)
        assert hazard.margin_sd == (None if counted_only else 0.0)
        assert hazard.tail_probability == (None if counted_only else 0.0)
        # None in two cycles: 1 − √0.05.
        assert hazard.upper95 == pytest.approx(1.0 - math.sqrt(0.05), rel=1e-9)
    units = [getattr(found.hazards, name).margin_unit for name in HAZARDS]
    assert units == ["mm", "mm", "%", "mm", None, None, "mm/s^2"]
    assert (found.jam_risk.count, found.jam_risk.share) == (0, 0.0)
    assert found.jam_risk.upper95 == pytest.approx(1.0 - math.sqrt(0.05), rel=1e-9)


# One cycle of three is bad in one way: margin_mean and margin_sd over the three by hand. With
# margins (a, a, b): mean a + (b − a)/3, sd |b − a|/√3.
ONE_BAD = [
    ("nose_strike", {"stage_position_mm": 98.0}, 35.0, -3.0),
    ("tail_held", {"tail_mm": 99.0}, 5.0, -1.0),
    ("off_carrier", {"offset_mm": -1.0}, 20.0, -1.0),
    ("off_carrier", {"offset_mm": 130.4}, 20.0, -6.0),
    ("speed_mismatch", {"nose_speed_mm_s": 920.0}, 5.0, -3.0),
    ("speed_mismatch", {"nose_speed_mm_s": 1080.0}, 5.0, -3.0),
    ("drive_overload", {"demanded_acceleration_mm_s2": 180_000.0}, 100_000.0, -30_000.0),
]


@pytest.mark.parametrize(("name", "bad", "good_margin", "bad_margin"), ONE_BAD)
def test_a_margin_below_zero_is_that_hazard_and_no_other(name, bad, good_margin, bad_margin):
    found = figures([placed(), placed(**bad), placed()])
    hazard = getattr(found.hazards, name)
    step = bad_margin - good_margin
    assert (hazard.count, hazard.share, hazard.upper95) == (1, 1.0 / 3.0, None)
    assert hazard.margin_mean == pytest.approx(good_margin + step / 3.0, rel=1e-9)
    assert hazard.margin_sd == pytest.approx(abs(step) / math.sqrt(3.0), rel=1e-9)
    assert [n for n in HAZARDS if getattr(found.hazards, n).count] == [name]
    assert (found.jam_risk.count, found.jam_risk.upper95) == (1, None)


@pytest.mark.parametrize(
    ("name", "bad"), [("stray_insert", {"strays": 3}), ("double", {"double": 1})]
)
def test_strays_and_doubles_are_counted_by_cycle(name, bad):
    found = figures([placed(), placed(**bad), placed(**bad), placed()])
    hazard = getattr(found.hazards, name)
    assert (hazard.count, hazard.share) == (2, 0.5)
    assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (None, None, None)
    assert [n for n in HAZARDS if getattr(found.hazards, n).count] == [name]


def test_jam_risk_counts_a_cycle_once_however_many_hazards_it_has():
    rows = [placed(stage_position_mm=99.0, tail_mm=90.0, strays=1), placed(double=1), placed()]
    found = figures(rows)
    assert sum(getattr(found.hazards, name).count for name in HAZARDS) == 4
    assert (found.jam_risk.count, found.jam_risk.share) == (2, 2.0 / 3.0)


def test_every_hazard_enters_the_jam_risk():
    for name, bad, *_ in [*ONE_BAD, ("stray_insert", {"strays": 1}), ("double", {"double": 1})]:
        assert figures([placed(), placed(**bad)]).jam_risk.share == 0.5, name


def test_shares_are_of_feed_cycles_not_of_carriers():
    # A carrier that was missed although its insert was engaged (the run ended first) has a
    # cycle; one that was skipped has none.
    engaged = placed(
        outcome=Outcome.NOT_STAGED,
        placement_time_s=NO,
        offset_mm=NO,
        placement_error_mm=NO,
        nose_speed_mm_s=NO,
        belt_speed_mm_s=NO,
        stage_position_mm=96.0,
    )
    rows = [placed(), missed(Outcome.NOT_STAGED), engaged, missed(Outcome.NOT_SEEN), placed()]
    found = figures(rows)
    assert found.hazards.nose_strike.share == 1.0 / 3.0
    assert found.jam_risk.share == 1.0 / 3.0
    # Its missing offset and speed enter no margin.
    assert found.hazards.off_carrier.margin_mean == pytest.approx(20.0, rel=1e-12)
    assert found.hazards.speed_mismatch.count == 0
    assert found.missed.count == 3


def test_landing_on_a_belt_at_rest_is_a_mismatch_without_a_margin():
    found = figures([placed(belt_speed_mm_s=0.0), placed(nose_speed_mm_s=980.0), placed()])
    mismatch = found.hazards.speed_mismatch
    assert mismatch.count == 1
    # Margins of the other two: 3 % and 5 %.
    assert mismatch.margin_mean == pytest.approx(4.0, rel=1e-9)
    assert mismatch.margin_sd == pytest.approx(math.sqrt(2.0), rel=1e-9)


def test_nothing_but_landings_on_a_belt_at_rest():
    mismatch = figures(
        [placed(belt_speed_mm_s=0.0, nose_speed_mm_s=0.0)] * 2
    ).hazards.speed_mismatch
    assert (mismatch.count, mismatch.share) == (2, 1.0)
    assert (mismatch.margin_mean, mismatch.margin_sd, mismatch.tail_probability) == (None,) * 3


def test_a_value_at_its_limit_is_no_hazard_even_with_floating_noise():
    noise = 1e-12
    at_limit = placed(
        stage_position_mm=95.0 + noise,
        tail_mm=100.0 - noise,
        offset_mm=-noise,
        nose_speed_mm_s=1.05 * 1000.0,
        demanded_acceleration_mm_s2=150_000.0 * (1.0 + 1e-14),
    )
    assert 1.05 * 1000.0 / 1000.0 - 1.0 > 0.05  # as floats are
    assert figures([at_limit]).jam_risk.count == 0
    assert figures([at_limit | {"offset_mm": 210.0 - 85.6 + noise}]).jam_risk.count == 0


@pytest.mark.parametrize(
    "bad",
    [
        {"stage_position_mm": 95.0 + 1e-6},
        {"tail_mm": 100.0 - 1e-6},
        {"offset_mm": -1e-6},
        {"offset_mm": 210.0 - 85.6 + 1e-6},
        {"nose_speed_mm_s": 1050.0 + 1e-4},
        {"nose_speed_mm_s": 950.0 - 1e-4},
        {"demanded_acceleration_mm_s2": 150_001.0},
    ],
)
def test_a_value_just_beyond_its_limit_is_a_hazard(bad):
    assert figures([placed(**bad)]).jam_risk.count == 1


def test_overhang_is_allowed_at_either_end():
    rows = [placed(offset_mm=-2.0), placed(offset_mm=210.0 - 85.6 + 2.0)]
    assert figures(rows).hazards.off_carrier.count == 2
    allowed = figures(rows, criteria=replace(CRITERIA, overhang_mm=2.5)).hazards.off_carrier
    assert allowed.count == 0
    assert allowed.margin_mean == pytest.approx(0.5, rel=1e-9)


def test_the_speed_limit_is_a_criterion():
    rows = [placed(nose_speed_mm_s=1080.0)]
    assert figures(rows, criteria=replace(CRITERIA, speed_mismatch=0.1)).jam_risk.count == 0


# Tail probabilities, against the normal distribution of scipy.stats.


def test_one_sided_tail():
    # Margins 1 and 3 mm: mean 2, sd √2.
    found = figures([placed(stage_position_mm=94.0), placed(stage_position_mm=92.0)])
    expected = stats.norm.cdf(-2.0 / math.sqrt(2.0))
    assert found.hazards.nose_strike.tail_probability == pytest.approx(expected, rel=1e-9)


def test_a_far_tail_does_not_drown_in_rounding():
    # Margins 34 and 36 mm: mean 35, sd √2, 24.7 sd away.
    found = figures([placed(stage_position_mm=59.0), placed(stage_position_mm=61.0)])
    expected = stats.norm.cdf(-35.0 / math.sqrt(2.0))
    assert 0.0 < expected < 1e-100
    tail = found.hazards.nose_strike.tail_probability
    assert tail == pytest.approx(expected, rel=1e-9, abs=0.0)


def test_speed_mismatch_has_both_tails_of_the_signed_ratio():
    # Ratios −0.02 and +0.04: mean 0.01, sd 0.03·√2; limits ±0.05.
    found = figures([placed(nose_speed_mm_s=980.0), placed(nose_speed_mm_s=1040.0)])
    normal = stats.norm(0.01, 0.03 * math.sqrt(2.0))
    expected = normal.cdf(-0.05) + normal.sf(0.05)
    assert found.hazards.speed_mismatch.tail_probability == pytest.approx(expected, rel=1e-9)


def test_off_carrier_has_the_tails_of_both_ends():
    # Offsets 10 and 90: mean 50, sd 40·√2; limits −1 and 210 − 85.6 + 1 with 1 mm overhang.
    rows = [placed(offset_mm=10.0), placed(offset_mm=90.0)]
    found = figures(rows, criteria=replace(CRITERIA, overhang_mm=1.0))
    normal = stats.norm(50.0, 40.0 * math.sqrt(2.0))
    expected = normal.cdf(-1.0) + normal.sf(125.4)
    assert found.hazards.off_carrier.tail_probability == pytest.approx(expected, rel=1e-9)


def test_two_ends_that_cannot_both_be_met_give_a_probability_of_one():
    # An overhang of −110 mm asks for an offset above 110 and below 14.4 mm at once: each end
    # alone is nearly certain to be missed, and the sum is cut at 1.
    rows = [placed(offset_mm=60.0), placed(offset_mm=61.0)]
    found = figures(rows, criteria=replace(CRITERIA, overhang_mm=-110.0))
    assert found.hazards.off_carrier.tail_probability == 1.0


@pytest.mark.parametrize(
    ("bad", "name"),
    [
        ({"stage_position_mm": 96.0}, "nose_strike"),
        ({"nose_speed_mm_s": 1060.0}, "speed_mismatch"),
        ({"nose_speed_mm_s": 940.0}, "speed_mismatch"),
        ({"offset_mm": -1.0}, "off_carrier"),
        ({"offset_mm": 126.0}, "off_carrier"),
        ({"demanded_acceleration_mm_s2": 160_000.0}, "drive_overload"),
    ],
)
def test_without_spread_the_tail_is_certain_or_none(bad, name):
    sure = getattr(figures([placed(**bad)] * 3).hazards, name)
    assert (sure.margin_sd, sure.tail_probability) == (0.0, 1.0)
    never = getattr(figures([placed()] * 3).hazards, name)
    assert (never.margin_sd, never.tail_probability) == (0.0, 0.0)


def test_one_cycle_has_a_margin_but_no_spread():
    hazard = figures([placed()]).hazards.nose_strike
    assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (35.0, None, None)


def test_a_drive_without_a_limit_is_never_overloaded():
    # A step demands an infinite acceleration; without a limit even that is none too much.
    hazard = overload([50_000.0, math.inf], math.inf)
    assert (hazard.count, hazard.share) == (0, 0.0)
    assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (None, None, 0.0)
    assert hazard.margin_unit == "mm/s^2"


def test_a_step_overloads_every_drive_with_a_limit():
    hazard = overload([math.inf, math.inf], 150_000.0)
    assert (hazard.count, hazard.share) == (2, 1.0)
    assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (None, None, 1.0)


def test_a_step_among_ramps_has_no_normal_tail():
    hazard = overload([50_000.0, math.inf], 150_000.0)
    assert hazard.count == 1
    assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (None, None, None)


def test_no_cycle_at_all():
    found = figures([missed(Outcome.NOT_SEEN)] * 3)
    for name in HAZARDS:
        hazard = asdict(getattr(found.hazards, name))
        del hazard["margin_unit"]
        assert hazard.pop("count") == 0
        assert set(hazard.values()) == {None}
    assert (found.jam_risk.count, found.jam_risk.share, found.jam_risk.ci95) == (0, None, None)
    unlimited = overload([], math.inf)
    assert (unlimited.share, unlimited.tail_probability) == (None, None)


def test_cycles_without_any_margin():
    row = dict.fromkeys(("stage_position_mm", "tail_mm", "offset_mm", "nose_speed_mm_s"), NO)
    row |= {"belt_speed_mm_s": NO, "demanded_acceleration_mm_s2": NO, "placement_error_mm": NO}
    found = figures([placed(outcome=Outcome.LINE_STOP, **row)] * 2)
    for name in HAZARDS:
        hazard = getattr(found.hazards, name)
        assert (hazard.count, hazard.share) == (0, 0.0)
        assert (hazard.margin_mean, hazard.margin_sd, hazard.tail_probability) == (None,) * 3


cycles = st.lists(
    st.fixed_dictionaries(
        {
            "stage_position_mm": st.floats(40.0, 110.0),
            "tail_mm": st.floats(90.0, 120.0),
            "nose_speed_mm_s": st.floats(900.0, 1100.0),
            "offset_mm": st.floats(-10.0, 140.0),
            "strays": st.integers(0, 2),
            "double": st.integers(0, 1),
            "demanded_acceleration_mm_s2": st.floats(1e5, 2e5),
        }
    ).map(lambda changes: placed(**changes)),
    min_size=1,
    max_size=12,
)


@given(cycles)
def test_jam_risk_lies_between_the_largest_hazard_and_their_sum(rows):
    found = figures(rows)
    counts = [getattr(found.hazards, name).count for name in HAZARDS]
    assert max(counts) <= found.jam_risk.count <= min(sum(counts), len(rows))
    for name in HAZARDS:
        tail = getattr(found.hazards, name).tail_probability
        assert tail is None or 0.0 <= tail <= 1.0


@given(cycles, st.randoms(use_true_random=False))
def test_hazards_do_not_depend_on_the_order_of_the_cycles(rows, random):
    mixed = list(rows)
    random.shuffle(mixed)
    one, other = figures(rows).hazards, figures(mixed).hazards
    for name in HAZARDS:
        a, b = getattr(one, name), getattr(other, name)
        assert (a.count, a.share, a.ci95, a.upper95) == (b.count, b.share, b.ci95, b.upper95)
        if a.margin_mean is None:
            assert b.margin_mean is None
        else:
            # Sums in another order round otherwise; margins are up to 1e5.
            assert a.margin_mean == pytest.approx(b.margin_mean, rel=1e-9, abs=1e-9)


def test_unusual_cycles_count_but_leave_the_margin_of_the_tail_alone():
    # A cycle past a stray or a misfeed opens an insert pitch (85.6 + 70 mm) later; a double's
    # tail is elsewhere. Margin of the others: 104, 105 and 106 − 100 mm.
    usual = [placed(tail_mm=tail) for tail in (104.0, 105.0, 106.0)]
    found = figures([*usual, placed(tail_mm=105.0 + 155.6), placed(tail_mm=60.0, double=1)])
    tail = found.hazards.tail_held
    assert tail.count == 1
    assert tail.margin_mean == pytest.approx(5.0, rel=1e-12)
    assert tail.margin_sd == pytest.approx(1.0, rel=1e-12)
    assert tail.tail_probability == pytest.approx(stats.norm.cdf(-5.0), rel=1e-9)
