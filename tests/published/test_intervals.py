"""Intervals against printed values; each to half its last printed digit."""

from fractions import Fraction
from math import comb

import pytest

from feedsim.metrics.intervals import (
    clopper_pearson,
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
    assert wilson(count, n) == pytest.approx(score, abs=5e-5)
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
    assert wilson(26, 200, confidence=0.90).low == pytest.approx(0.09577, abs=5e-6)
    # Hits and misses swapped, the same limit stands on the other side.
    assert wilson(174, 200, confidence=0.90).high == pytest.approx(1.0 - 0.09577, abs=5e-6)


# From memory: Hanley & Lippman-Hand 1983, JAMA 249:1743-1745 (the rule of three).
@pytest.mark.parametrize(
    ("n", "limit", "half_digit"), [(100, 0.0295130, 5e-8), (300, 0.00993608, 5e-9)]
)
def test_none_seen_in_n(n, limit, half_digit):
    assert upper95(n) == pytest.approx(limit, abs=half_digit)
    # The rule itself: 3/n is above the limit, by −ln 0.05 = 2.9957 and a second-order term
    # 2.9957/2n: at most 1.7 % at n = 100.
    assert 0.983 * 3.0 / n < upper95(n) < 3.0 / n
