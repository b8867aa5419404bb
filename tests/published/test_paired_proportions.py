"""Intervals of differences of shares: printed values, exact coverage, and the exact test.

From memory: Newcombe 1998, Statistics in Medicine 17:873-890 (independent shares, method 10) and
17:2635-2650 (paired shares, method 10); Bonett & Price 2012, Journal of Educational and
Behavioral Statistics 37:479-488 (paired, adjusted Wald); Newcombe's paired method is written here
only to be held against it.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy import stats

from feedsim.metrics.intervals import wilson
from feedsim.metrics.proportions import paired_difference, unpaired_difference

GRID = (0.0, 0.01, 0.05, 0.1, 0.2, 0.35, 0.5)
BOTH = (0.0, 0.1, 0.5)
"""Share of the concordant cards that are hits in both."""


def newcombe_paired(both: int, only_other: int, only_first: int, neither: int):
    """Return Newcombe's method 10 for paired shares: Wilson ends and a corrected correlation."""
    n = both + only_other + only_first + neither
    p, q = (both + only_other) / n, (both + only_first) / n
    a, b = wilson((both + only_other) / n, n), wilson((both + only_first) / n, n)
    cross = both * neither - only_other * only_first
    if cross > 0:
        cross = max(cross - n / 2.0, 0.0)
    size = math.sqrt(
        (both + only_other) * (only_first + neither) * (both + only_first) * (only_other + neither)
    )
    phi = cross / size if size else 0.0

    def part(x: float, y: float) -> float:
        return math.sqrt(max(0.0, x * x - 2.0 * phi * x * y + y * y))

    return p - q - part(p - a.low, b.high - q), p - q + part(a.high - p, q - b.low)


def plain_wald(only_other: int, only_first: int, n: int):
    d = (only_other - only_first) / n
    half = 1.959964 * math.sqrt(max(0.0, (only_other + only_first) / n - d * d) / n)
    return d - half, d + half


def test_printed_intervals_of_independent_shares() -> None:
    # Newcombe 1998 (873-890), table II (from memory): 56 of 70 less 48 of 80, method 10.
    assert unpaired_difference((56, 70), (48, 80)) == pytest.approx((0.0524, 0.3339), abs=5e-5)
    assert unpaired_difference((3, 3), (0, 0)) is None


def test_printed_interval_of_newcombe_s_paired_method() -> None:
    # Newcombe 1998 (2635-2650), table III (from memory): 36, 12, 2, 0, method 10.
    assert newcombe_paired(36, 12, 2, 0) == pytest.approx((0.0569, 0.3404), abs=5e-5)


def test_bonett_and_price_by_hand() -> None:
    # none of 98 differs: p = q = 1/100, so ±1.959964·√(0.02/100)
    assert paired_difference(0, 0, n=98) == pytest.approx((-0.0277181, 0.0277181), abs=5e-8)
    # 12 and 2 of 48: p = 13/50, q = 3/50, d = 0.2, √((0.32 − 0.04)/50) = 0.0748331
    assert paired_difference(12, 2, n=48) == pytest.approx(
        (0.2 - 0.1466702, 0.2 + 0.1466702), abs=5e-7
    )


def coverages(n: int):
    """Return the exact coverage of three intervals over a grid of probabilities.

    Columns: Bonett and Price, Newcombe's method 10, Wald without any adjustment.
    """
    cells = np.array(
        [
            (a, b, c, n - a - b - c)
            for a in range(n + 1)
            for b in range(n + 1 - a)
            for c in range(n + 1 - a - b)
        ]
    )
    ends = np.array(
        [
            (*paired_difference(b, c, n=n), *newcombe_paired(a, b, c, d), *plain_wald(b, c, n))
            for a, b, c, d in cells.tolist()
        ]
    )
    rows = []
    for p, q, share in product(GRID, GRID, BOTH):
        if q > p or p == 0.0:  # the mirror image, and no difference at all
            continue
        both = share * (1.0 - p - q)
        weight = stats.multinomial.pmf(cells, n, [both, p, q, 1.0 - p - q - both])
        covers = (ends[:, ::2] <= p - q + 1e-12) & (ends[:, 1::2] >= p - q - 1e-12)
        rows.append(weight @ covers)
    return np.array(rows)


@pytest.mark.parametrize("n", [20, 30, 40])
def test_exact_coverage_by_enumeration(n: int) -> None:
    bonett_price, newcombe, wald = coverages(n).T
    assert bonett_price.min() > 0.92
    assert 0.95 < bonett_price.mean() < 0.98
    # why it was chosen: its worst is no worse than that of the other (to a few thousandths)
    assert bonett_price.min() > newcombe.min() - 0.005
    # the twin: without the two added cards a rare difference is mostly taken for none at all
    assert wald.min() < 0.5


def test_coverage_of_rare_differences_among_many_cards() -> None:
    # The limit of many cards and few that differ: the two counts are Poisson, and n drops out.
    counts = np.arange(60)
    n = 10**6
    half = [[paired_difference(b, c, n=n) for c in counts.tolist()] for b in counts.tolist()]
    low, high = (np.array([[ends[k] for ends in row] for row in half]) * n for k in (0, 1))
    for more, fewer in product((0.3, 1.0, 2.0, 2.8, 3.0, 4.0, 6.0, 10.0, 20.0), repeat=2):
        weight = np.outer(stats.poisson.pmf(counts, more), stats.poisson.pmf(counts, fewer))
        truth = more - fewer
        covered = weight[(low <= truth) & (truth <= high)].sum()
        assert covered > 0.93, (more, fewer)


def test_a_difference_is_claimed_about_where_the_exact_test_claims_it() -> None:
    # The exact test of paired shares (McNemar's) is the sign test of the discordant counts.
    claimed, open_ = [], []
    for more in range(1, 61):
        for fewer in range(more + 1):
            interval = paired_difference(more, fewer, n=100 * (more + fewer))
            p = stats.binomtest(more, more + fewer).pvalue
            (claimed if interval.low > 0.0 else open_).append(p)
    assert max(claimed) < 0.066
    assert min(open_) > 0.055
    assert paired_difference(6, 0, n=5000).low > 0.0
    assert paired_difference(5, 0, n=5000).low < 0.0


def test_wrong_counts_are_refused() -> None:
    assert paired_difference(0, 0, n=0) is None
    for wrong in ((-1, 0), (0, -1), (3, 3)):
        with pytest.raises(ValueError, match="counts of one alone"):
            paired_difference(*wrong, n=5)
    with pytest.raises(ValueError, match="confidence"):
        paired_difference(1, 1, n=5, confidence=1.0)


def test_swapped_setups_change_the_sign_alone() -> None:
    low, high = paired_difference(7, 3, n=40)
    assert paired_difference(3, 7, n=40) == pytest.approx((-high, -low), rel=1e-12)
    low, high = unpaired_difference((9, 30), (4, 25))
    assert unpaired_difference((4, 25), (9, 30)) == pytest.approx((-high, -low), rel=1e-12)
    assert paired_difference(5, 0, n=5).high == 1.0
