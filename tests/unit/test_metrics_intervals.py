"""Edges of the intervals, and agreement with scipy.stats over many cases."""

import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from feedsim.metrics.capability import capability
from feedsim.metrics.intervals import (
    clopper_pearson,
    share_interval,
    trials_to_tell,
    upper95,
    wilson,
)
from feedsim.metrics.means import mean_interval

counts_of_n = st.integers(1, 10_000_000).flatmap(
    lambda n: st.tuples(st.one_of(st.integers(0, n), st.sampled_from([0, 1, n - 1, n])), st.just(n))
)
levels = st.sampled_from([0.5, 0.9, 0.95, 0.99, 0.9999])


@given(counts_of_n, levels)
def test_wilson_encloses_the_share_within_0_and_1(count_n, level):
    count, n = count_n
    low, high = wilson(count / n, n, confidence=level)
    assert 0.0 <= low <= count / n <= high <= 1.0
    assert low < high


@given(counts_of_n, levels)
def test_a_share_has_the_interval_of_its_count(count_n, level):
    count, n = count_n
    low, high = wilson(count / n, n, confidence=level)
    # Brown, Cai & DasGupta 2001: where few are seen the exact end of one side, if it is farther off
    if count:
        low = min(low, stats.beta.ppf(1.0 - level, count, n - count + 1))
    if count < n:
        high = max(high, stats.beta.ppf(level, count + 1, n - count))
    found = share_interval(count / n, float(n), confidence=level)
    assert found == pytest.approx((low, high), rel=1e-8, abs=1e-12)


def test_a_single_hit_is_covered_where_wilson_does_not():
    # Poisson, 0.1 expected: none in 90.5 %, one in 9.0 %. Wilson's interval of one begins above.
    expected, n = 0.1, 1e6
    chances = [math.exp(-expected) * expected**k / math.factorial(k) for k in range(6)]

    def coverage(interval):
        held = (interval(k) for k in range(6))
        return sum(c for c, (low, high) in zip(chances, held, strict=True) if low <= 1e-7 <= high)

    assert coverage(lambda k: share_interval(k / n, n)) > 0.99
    assert coverage(lambda k: wilson(k / n, n)) < 0.91


def test_trials_that_are_worth_less_widen_the_interval():
    # a third of the trials: the share the same, the interval that of a third of the count
    assert share_interval(0.25, 80.0) == pytest.approx(wilson(20 / 80, 80), rel=1e-12)
    wide, narrow = share_interval(0.25, 13.5), share_interval(0.25, 40.0)
    assert wide.low < narrow.low < narrow.high < wide.high
    for share, n, level in ((1.1, 5.0, 0.9), (0.5, 0.0, 0.9), (0.5, 5.0, 1.0)):
        with pytest.raises(ValueError, match="no interval"):
            share_interval(share, n, confidence=level)


@pytest.mark.parametrize(
    ("share", "limit"), [(0.0002, 0.001), (0.998, 0.997), (0.0, 0.001), (0.5, 0.001)]
)
@pytest.mark.parametrize("level", [0.95, 0.999])
def test_from_so_many_trials_on_a_limit_lies_outside(share, limit, level):
    n = trials_to_tell(share, limit, confidence=level)
    inside = share_interval(share, 0.999 * n, confidence=level)
    outside = share_interval(share, 1.001 * n, confidence=level)
    assert inside.low < limit < inside.high
    assert not outside.low < limit < outside.high
    assert trials_to_tell(limit, limit) is None
    assert trials_to_tell(share, 0.0) is None


@given(counts_of_n, levels)
def test_wilson_mirrors(count_n, level):
    # Hits and misses swapped: ends swapped and taken from 1. Differences of shares near 1
    # round at 1e-16.
    count, n = count_n
    low, high = wilson(count / n, n, confidence=level)
    mirrored = wilson((n - count) / n, n, confidence=level)
    assert mirrored == pytest.approx((1.0 - high, 1.0 - low), abs=1e-12)


@given(counts_of_n, levels)
def test_exact_interval_encloses_the_share(count_n, level):
    count, n = count_n
    low, high = clopper_pearson(count, n, confidence=level)
    assert 0.0 <= low <= count / n <= high <= 1.0


@pytest.mark.parametrize("n", [1, 7, 20, 333, 5000])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_binomial_intervals_agree_with_scipy(n, level):
    for count in sorted({0, 1, n // 3, n - 1, n}):
        test = stats.binomtest(count, n)
        score = test.proportion_ci(level, method="wilson")
        exact = test.proportion_ci(level, method="exact")
        expected = (score.low, score.high)
        found = wilson(count / n, n, confidence=level)
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-15)
        expected = (exact.low, exact.high)
        # scipy finds the exact ends by a root search of about 1e-12.
        found = clopper_pearson(count, n, confidence=level)
        assert found == pytest.approx(expected, rel=1e-7, abs=1e-10)


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
def test_ends_at_no_hit_and_all_hits_are_exact(level):
    # Over many n, since the formula alone ends within a rounding of 0 and 1 for some.
    for n in range(1, 1000):
        assert wilson(0.0, n, confidence=level).low == 0.0
        assert wilson(1.0, n, confidence=level).high == 1.0
    assert clopper_pearson(0, 7, confidence=level).low == 0.0
    assert clopper_pearson(7, 7, confidence=level).high == 1.0


def test_no_trial_has_no_interval():
    assert clopper_pearson(0, 0) is None
    assert upper95(0) is None


@pytest.mark.parametrize("n", [1, 10, 5000, 10**9])
def test_none_seen_is_the_one_sided_exact_limit(n):
    # (1 − p)^n = 0.05, solved back; log1p keeps the small p of a long run.
    assert n * math.log1p(-upper95(n)) == pytest.approx(math.log(0.05), rel=1e-9)
    # With a two-sided 90 % interval each tail has 5 %.
    exact = clopper_pearson(0, n, confidence=0.90).high
    assert upper95(n) == pytest.approx(exact, rel=1e-9, abs=0.0)


@pytest.mark.parametrize("case", [(-1, 5), (6, 5)])
def test_an_impossible_count_is_refused(case):
    with pytest.raises(ValueError, match=f"{case[0]} of {case[1]}"):
        clopper_pearson(*case)


def test_an_impossible_confidence_is_refused():
    for confidence in (0.0, 1.0, 95.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            clopper_pearson(1, 2, confidence=confidence)
        with pytest.raises(ValueError, match="between 0 and 1"):
            mean_interval(np.array([1.0, 2.0]), confidence=confidence)
    with pytest.raises(ValueError, match="-1"):
        upper95(-1)


@pytest.mark.parametrize("n", [20, 27, 39])
@pytest.mark.parametrize("level", [0.90, 0.95])
def test_a_short_series_has_the_plain_student_interval(n, level):
    values = np.sort(np.random.Generator(np.random.PCG64(n)).normal(3.0, 2.0, n))
    values[1::2] = values[1::2][::-1]  # high beside low: neighbours that are not alike
    expected = stats.t.interval(level, n - 1, loc=values.mean(), scale=stats.sem(values))
    assert mean_interval(values, confidence=level) == pytest.approx(expected, rel=1e-9)


def test_forty_values_make_twenty_batches_of_two():
    # Batch means +1, −1, +1, …: sd √(20/19), standard error 1/√19. Within the batches lies
    # ±50, which a batch mean does not see. t(0.975; 19) from scipy.stats.
    values = np.array([51.0, -49.0, 49.0, -51.0] * 10)
    half = stats.t.ppf(0.975, 19) / math.sqrt(19.0)
    assert mean_interval(values) == pytest.approx((-half, half), rel=1e-9)


def test_the_remainder_at_the_front_counts_in_the_centre_only():
    # 59 values are 20 batches of 2 and 19 left over: these are 10, the batches ±1 as above.
    values = np.concatenate((np.full(19, 10.0), np.array([1.0, 1.0, -1.0, -1.0] * 10)))
    half = stats.t.ppf(0.975, 19) / math.sqrt(19.0)
    centre = 190.0 / 59.0
    assert mean_interval(values) == pytest.approx((centre - half, centre + half), rel=1e-9)


@pytest.mark.parametrize("n", [20, 39, 40, 1000])
@pytest.mark.parametrize("value", [0.1, -1e9 / 3.0, 0.0])
def test_equal_values_have_an_interval_without_width(n, value):
    low, high = mean_interval(np.full(n, value))
    assert low == high == value


def test_floating_noise_is_no_spread():
    # Four roundings apart; taken as a spread, it would show.
    values = np.tile([0.3, 0.3 + 4.0 * np.spacing(0.3)], 10)
    assert values[0] < values[1]
    low, high = mean_interval(values)
    assert low == high == pytest.approx(0.3, rel=1e-12)
    coarse = 0.3 + 1e-8 * (np.arange(1000) % 3 - 1)
    low, high = mean_interval(coarse)
    assert low < high
    low, high = mean_interval(coarse, resolution=3e-8)
    assert low == high


@pytest.mark.parametrize("n", [0, 1, 2, 19])
def test_fewer_than_20_values_have_no_interval(n):
    assert mean_interval(np.arange(float(n))) is None


def test_capability_edges():
    assert capability(0.0, 0.0, lower=-1.0, upper=1.0) is None
    assert capability(2.0, 0.5, lower=-1.0, upper=1.0).cpk == pytest.approx(-1.0 / 1.5, rel=1e-12)
    with pytest.raises(ValueError, match="lower < upper"):
        capability(0.0, 1.0, lower=1.0, upper=1.0)
    with pytest.raises(ValueError, match="sd"):
        capability(0.0, -1.0, lower=0.0, upper=1.0)


def test_capability_is_the_same_seen_from_either_side():
    low = capability(-0.4, 0.3, lower=-1.5, upper=1.5)
    high = capability(0.4, 0.3, lower=-1.5, upper=1.5)
    assert low == high
    # (1.5 − 0.4)/(3·0.3) by hand.
    assert low.cpk == pytest.approx(1.1 / 0.9, rel=1e-12)
    assert low.cp == pytest.approx(3.0 / 1.8, rel=1e-12)


LONG_COLUMNS = """
import numpy as np
from feedsim.metrics.spread_intervals import correlation
from feedsim.metrics.serial import lag_one
for seed in range(20):
    one, two = np.random.default_rng(seed).normal(size=(2, 100_000))
    print(correlation(one, two).hex(), lag_one(one))
"""


def test_long_columns_give_the_same_bits_on_any_number_of_threads():
    # workers have one thread for linear algebra, a program that imports feedsim may have several;
    # a matrix product of such columns ends in other bits with two (on a machine with two cores)
    def seen(threads):
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads}
        call = [sys.executable, "-c", LONG_COLUMNS]
        return subprocess.run(call, check=True, capture_output=True, env=environment).stdout

    assert seen("1") == seen("2")
