"""Intervals of paired differences cover the true difference, and are narrow where pairing helps.

A known difference of means, derived: let B engage 0.2 mm of counted travel after A (four
counts of 0.05 mm). The clutch acts at the first motion tick at or after its point, so that a
single card moves by a whole number of ticks, or not at all. Where the place of the point between
two ticks is even (pitch and gap spread over many ticks), it moves by its 0.2 mm in the mean, and so
does the landing: the mean placement error grows by 0.2·(1 + ε) mm, ε the encoder's scale error,
since belt travel is (1 + ε) times counted travel. Without ticks every card moves by just that.

With 200 seeds a coverage of 95 % has a standard error of 1.5 %; 91 to 99 % is 2.6 of them.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from feedsim.criteria import Criteria
from feedsim.machine import Controller, Encoder, Machine
from feedsim.metrics.paired import mean_difference
from feedsim.metrics.paired_feeders import FeederDifference, Ran, feeder_difference
from tests.machines import NOISY_EYE, machine, run, settings, spread_carriers, spread_feeder

pytestmark = pytest.mark.usefixtures("quick_engine")

SEEDS = 200
CARRIERS = 160
EPSILON = 0.01
TRUTH_MM = 0.2 * (1.0 + EPSILON)
MISSED = 0.05
CRITERIA = Criteria(1.5, 0.997, 0.001, 0.001, 0.05, 0.0)


def line(*, later_mm: float = 0.0, missed: float = 0.0, cycle_s: float = 0.001) -> Machine:
    """Return a line of 18 m/min that engages so much later than the right point."""
    return machine(
        spread_feeder(eye=NOISY_EYE, settings=settings(engage_distance_mm=360.0 + later_mm)),
        speed_m_min=18.0,
        carriers=spread_carriers(),
        carrier_eye=replace(NOISY_EYE, edge_sd_mm=0.3, missed=missed),
        controller=Controller(scan_s=0.0, motion_cycle_s=cycle_s),
        encoder=Encoder(count_mm=0.05, scale_error=EPSILON),
    )


@cache
def differences(*, later_mm: float, missed: float) -> tuple[FeederDifference, ...]:
    first, other = line(), line(later_mm=later_mm, missed=missed)
    return tuple(
        feeder_difference(
            *(Ran(run(m, carriers=CARRIERS, seed=seed), m, CRITERIA) for m in (first, other)),
            number=0,
            names=("a", "b"),
        )
        for seed in range(SEEDS)
    )


def covered(intervals, truth: float) -> float:
    return float(np.mean([low <= truth <= high for low, high in intervals]))


def test_a_known_shift_is_covered_and_a_wrong_one_is_not() -> None:
    found = [d.placement_mean for d in differences(later_mm=0.2, missed=0.0)]
    assert not any(d.exact for d in found)
    assert 0.91 <= covered([d.ci95_mm for d in found], TRUTH_MM) <= 0.99
    # the twin: 0.05 mm, one count, beside the truth
    assert covered([d.ci95_mm for d in found], TRUTH_MM + 0.05) < 0.5
    # and the sign is told right wherever it is told, which is always
    assert all(d.ci95_mm.low > 0.0 for d in found)


def test_the_paired_interval_of_a_shift_is_far_narrower_than_the_unpaired_one() -> None:
    found = [d.placement_mean for d in differences(later_mm=0.2, missed=0.0)]
    paired, unpaired = (
        np.array([np.diff(getattr(d, name)) for d in found])
        for name in ("ci95_mm", "unpaired_ci95_mm")
    )
    # Paired: a tick of 0.3·1.01 mm is crossed by a share of 0.2/0.3, so sd √(0.2·0.1) = 0.14 mm.
    # Unpaired: √2 times the spread of one placement, 0.3 mm of the eye's edge and more: 0.45 mm at
    # least, so three times as wide; batch means alone make a ratio uncertain by a fourth or so.
    assert np.median(unpaired / paired) > 2.4
    # It covers too, and hardly ever misses: it takes for chance what both share.
    assert covered([d.unpaired_ci95_mm for d in found], TRUTH_MM) >= 0.99


def test_without_ticks_every_card_moves_alike_and_the_interval_has_no_width() -> None:
    first, other = line(cycle_s=0.0), line(cycle_s=0.0, later_mm=0.2)
    for seed in range(3):
        ran = [Ran(run(m, carriers=CARRIERS, seed=seed), m, CRITERIA) for m in (first, other)]
        d = feeder_difference(*ran, number=0, names=("a", "b"))
        assert d.placement_mean.exact
        assert d.placement_mean.difference_mm == pytest.approx(TRUTH_MM, abs=1e-9)
        low, high = d.placement_mean.ci95_mm
        assert low == high == d.placement_mean.difference_mm
        assert d.placement_sd.exact
        assert d.placement_sd.ci95_mm == (0.0, 0.0)
        # while each alone spreads
        assert d.placement_sd.first_mm > 0.3
    # the twin: with ticks it is not exact
    assert not differences(later_mm=0.2, missed=0.0)[0].placement_mean.exact


def test_a_known_share_of_missed_carriers_is_covered_and_a_wrong_one_is_not() -> None:
    # The other eye does not see 5 % of the carriers, and nothing else is missed in either setup.
    found = [d.missed for d in differences(later_mm=0.0, missed=MISSED)]
    assert all(d.only_first == 0 for d in found)
    assert 0.91 <= covered([d.ci95 for d in found], MISSED) <= 0.99
    assert covered([d.ci95 for d in found], 2.0 * MISSED) < 0.5


LENGTH = 400


def generator(seed: int) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))


def test_which_lies_nearer_is_hardly_ever_told_wrong() -> None:
    # Means −0.1 and +0.1 lie as near to the target as each other: every claim is a wrong one. 5 %
    # of 200 are 10, with a standard error of 3.1; 8 % are 16.
    base = np.array([generator(seed).standard_normal(LENGTH) for seed in range(SEEDS)])
    found = [mean_difference(row - 0.1, row + 0.1 + 1e-3 * row) for row in base]
    assert np.mean([d.better is not None for d in found]) < 0.08
    # a twin that is nearer is found: −0.2 and +0.05
    found = [mean_difference(row - 0.2, row + 0.05 + 1e-3 * row) for row in base]
    assert np.mean([d.better == "other" for d in found]) > 0.2
    assert not any(d.better == "first" for d in found)
