"""Missed carriers against what is expected, exactly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, binomtest

from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.answers.trial.study.missed import chance_of, counted, missed_of


@pytest.mark.parametrize(
    ("count", "n", "share"),
    [(0, 50, 0.02), (3, 50, 0.02), (12, 3000, 0.001), (480, 1000, 0.5), (2, 20, 0.4), (0, 5, 0.0)],
)
def test_one_speed_is_the_binomial_test(count: int, n: int, share: float) -> None:
    expected = binomtest(count, n, share).pvalue
    assert chance_of(count, [n], [share]) == pytest.approx(expected, rel=1e-9)


def test_equal_shares_at_several_speeds_are_one_binomial() -> None:
    expected = binomtest(7, 900, 0.004).pvalue
    assert chance_of(7, [200, 300, 400], [0.004] * 3) == pytest.approx(expected, rel=1e-9)


def test_unequal_shares_by_folding() -> None:
    # of 10 with 0.1 and 20 with 0.3: all pairs of counts, added up
    counts = np.zeros(31)
    for a in range(11):
        for b in range(21):
            counts[a + b] += binom.pmf(a, 10, 0.1) * binom.pmf(b, 20, 0.3)
    for seen in (0, 3, 7, 15, 30):
        expected = counts[counts <= counts[seen] * (1.0 + 1e-9)].sum()
        assert chance_of(seen, [10, 20], [0.1, 0.3]) == pytest.approx(expected, rel=1e-9)


def test_what_cannot_be_has_no_chance() -> None:
    assert chance_of(1, [100], [0.0]) == 0.0
    assert chance_of(0, [100], [1.0]) == 0.0
    assert chance_of(900, [1_000_000], [1e-6]) == 0.0


def test_a_million_carriers_are_no_trouble() -> None:
    expected = binomtest(230, 1_000_000, 2e-4).pvalue
    assert chance_of(230, [500_000, 500_000], [2e-4, 2e-4]) == pytest.approx(expected, rel=1e-6)


def data(*rows: tuple[int, int, float]) -> TrialData:
    carriers, missed, error = (np.array(column) for column in zip(*rows, strict=True))
    n = len(rows)
    return TrialData(
        row=np.arange(2, n + 2), feeder=np.zeros(n, dtype=np.int64), speed_mm_s=np.full(n, 500.0),
        error_mm=error.astype(float), stage_mm=np.full(n, np.nan), carriers=carriers,
        missed=missed, blank=0, others=(), error_step_mm=0.0, stage_step_mm=0.0,
    )  # fmt: skip


NAN = float("nan")


def test_rows_that_count() -> None:
    # one placed of which nothing is said, one missed, one said to be placed, one not looked at
    rows = data((1, UNKNOWN, 0.2), (1, 1, NAN), (1, 0, 0.1), (1, UNKNOWN, NAN))
    assert counted(rows, np.ones(4, dtype=bool)) == (3, 1)


def test_a_tally_speaks_for_all_rows_of_its_speed() -> None:
    rows = data((500, 2, NAN), (300, 1, NAN), (1, UNKNOWN, 0.2), (1, 0, 0.1))
    assert counted(rows, np.ones(4, dtype=bool)) == (800, 3)


def test_interval_and_expected_count() -> None:
    # Newcombe 1998, Table I: Clopper-Pearson of 15 of 148: 0.0578, 0.1617
    found = missed_of([(100, 10), (48, 5)], [0.05, 0.1], confidence=0.95)
    assert found is not None
    assert found.share_ci == pytest.approx((0.0578, 0.1617), abs=5e-5)
    assert found.expected_count == pytest.approx(9.8)
    assert missed_of([(0, 0)], [0.1], confidence=0.95) is None
