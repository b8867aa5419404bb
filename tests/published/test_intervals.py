"""Intervals against printed values; each to half its last printed digit."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from scipy.stats import binom, binomtest, norm

from feedsim.metrics.intervals import (
    clopper_pearson,
    share_interval,
    trials_to_tell,
    upper95,
    wilson,
)

# Newcombe 1998, Statistics in Medicine 17:857-872, Table I: methods 3 (score) and 5 (exact).
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("count", "n", "score", "exact"), NEWCOMBE)
def test_binomial_intervals_of_newcombe(count, n, score, exact):
    assert wilson(count / n, n) == pytest.approx(score, abs=5e-5)
    assert clopper_pearson(count, n) == pytest.approx(exact, abs=5e-5)


def test_exact_interval_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 7.2.4.1, 4 of 20 at 90 %: 0.071354 and 0.401029 (the sentence
    # there rounds the upper end wrongly to 0.400).
    low, high = clopper_pearson(4, 20, confidence=0.90)
    assert low == pytest.approx(0.071354, abs=5e-7)
    # The printed upper end is one unit too high in its last digit: the binomial tail below,
    # in exact fractions, is less than 5 % there and more than 5 % at 0.401028.
    assert high == pytest.approx(0.401029, abs=1e-6)
    assert four_or_fewer_of_20(Fraction("0.401028")) > Fraction("0.05")
    assert four_or_fewer_of_20(Fraction("0.4010285")) < Fraction("0.05")
    assert 0.401028 < high < 0.4010285


def four_or_fewer_of_20(p):
    return sum(comb(20, k) * p**k * (1 - p) ** (20 - k) for k in range(5))


def test_one_sided_wilson_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, one-sided 95 %, lower end: that of the
    # two-sided 90 % interval.
    assert wilson(26 / 200, 200, confidence=0.90).low == pytest.approx(0.09577, abs=5e-6)
    # Hits and misses swapped, the same limit stands on the other side.
    assert wilson(174 / 200, 200, confidence=0.90).high == pytest.approx(1.0 - 0.09577, abs=5e-6)


# From memory: Hanley & Lippman-Hand 1983, JAMA 249:1743-1745 (the rule of three).
@pytest.mark.parametrize(
    ("n", "limit", "half_digit"), [(100, 0.0295130, 5e-8), (300, 0.00993608, 5e-9)]
)
def test_none_seen_in_n(n, limit, half_digit):
    assert upper95(n) == pytest.approx(limit, abs=half_digit)
    # The rule itself: 3/n is above the limit, by −ln 0.05 = 2.9957 and a second-order term
    # 2.9957/2n: at most 1.7 % at n = 100.
    assert 0.983 * 3.0 / n < upper95(n) < 3.0 / n


# -- one in a million ------------------------------------------------------------

RARE = 20_000_000
"""Carriers, of which a few in a million have a hazard."""


@pytest.mark.parametrize("count", [1, 2, 5, 9, 20, 60, 400])
def test_the_interval_of_a_rare_share_against_the_exact_one_of_scipy(count):
    """The upper end is Clopper and Pearson's, to 2 %; the lower one lies at 2.5 to 5 %.

    scipy finds its ends as roots, to 1e-6.
    """
    exact = binomtest(count, RARE).proportion_ci(0.95, method="exact")
    one_sided = binomtest(count, RARE).proportion_ci(0.90, method="exact")
    low, high = share_interval(count / RARE, RARE)
    assert exact.low <= low <= one_sided.low * (1.0 + 1e-5)
    assert high == pytest.approx(exact.high, rel=0.02)


def test_none_seen_among_millions_is_below_three_in_n():
    """The rule of three, and what the two-sided interval makes of it: z²/(n + z²)."""
    assert upper95(RARE) == pytest.approx(3.0 / RARE, rel=0.002)
    assert upper95(RARE) == pytest.approx(1.0 - 0.05 ** (1.0 / RARE), rel=1e-6)
    z = norm.ppf(0.975)
    assert share_interval(0.0, RARE) == pytest.approx((0.0, z**2 / (RARE + z**2)), rel=1e-9)


def rarely_covered(interval):
    """Return the least coverage of an interval of Poisson counts, by enumeration.

    Means of 0.1 to 40 hits, of one in a million each; P by scipy.stats.binom.
    """
    counts = np.arange(120)
    ends = np.array([interval(int(k)) for k in counts])
    worst = 1.0
    for mean in np.geomspace(0.1, 40.0, 400):
        share = mean / RARE
        holds = (ends[:, 0] <= share) & (share <= ends[:, 1])
        worst = min(worst, float(binom.pmf(counts[holds], RARE, share).sum()))
    return worst


def test_the_interval_of_a_rare_share_covers():
    assert rarely_covered(lambda k: share_interval(k / RARE, RARE)) > 0.91
    # the twin: Wilson's alone
    assert rarely_covered(lambda k: wilson(k / RARE, RARE)) < 0.88


@pytest.mark.parametrize("share", [0.0, 3e-7, 5e-6])
def test_so_many_carriers_tell_a_rare_share_from_a_limit(share):
    """With as many the interval stands clear of one in a million, with a per cent fewer not."""
    limit = 1e-6
    needed = trials_to_tell(share, limit)

    def clear(n: float) -> bool:
        low, high = share_interval(share, n)
        return high < limit or low > limit

    assert clear(1.001 * needed)
    assert not clear(0.99 * needed)
