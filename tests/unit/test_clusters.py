"""The design effect on outcomes written by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from feedsim.metrics import means, student
from feedsim.metrics.clusters import design_effect, in_order
from feedsim.metrics.course import Course
from feedsim.metrics.intervals import share_interval, wilson
from feedsim.metrics.share import counted, share_of


def widened(excess: float, freedom: int) -> float:
    """Return 1 + (t/z)²·excess, both quantiles from scipy.stats."""
    return 1.0 + (stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)) ** 2 * excess


def effect(values, begins=(0,)) -> float:
    return design_effect(in_order(np.asarray(values, dtype=np.int8), Course(begins)))


def test_one_and_nothing_in_turn_is_no_cluster() -> None:
    # every batch of even length has the same mean
    assert effect([1, 0] * 200) == 1.0


def test_blocks_as_long_as_a_batch() -> None:
    # Batch means have the variance of the values, 30 times too much, and 20/19 from the divisor.
    # They come in turn: their neighbours are opposite, which no correction takes for alike.
    # 600·0.25/31.58 = 4.75 clusters: 5 degrees of freedom.
    blocks = np.repeat([1, 0] * 10, 30)
    assert effect(blocks) == pytest.approx(widened(30.0 * 20.0 / 19.0 - 1.0, 5), rel=1e-9)


def test_batches_that_are_too_short_are_seen() -> None:
    # Four blocks of five batches: of 19 products of neighbours 3 are negative, so that r is
    # 13/20, and φ = (13/20 + 1/20)/(1 − 4/20) = 0.875. Of an autoregression the sum of 20 has a
    # variance of Σ φ^|i − j|, 20·c; s² falls short of its own by (20 − c)/19.
    c = (0.875 ** np.abs(np.subtract.outer(range(20), range(20)))).sum() / 20.0
    found = means.growth(0.65, [20])
    assert found.factor == pytest.approx(c * 19.0 / (20.0 - c), rel=1e-9)
    assert found.freedom == pytest.approx(20.0 * (1.0 - 0.875**2) / (3.0 + 0.875**2), rel=1e-12)
    # That is more than all: what was seen is a single cluster, of 600·0.25.
    assert effect(np.repeat([1, 0, 1, 0], 150)) == pytest.approx(widened(149.0, 3), rel=1e-9)
    # r + 1/20 has a standard error of 1/√20; below 0.84 of them nothing is taken for alike
    assert means.growth(0.13, [20]) == (1.0, 19.0)
    assert means.growth(0.14, [20]).factor > 1.0
    assert means.growth(0.13, [20, 20]).factor > 1.0


def test_a_single_cluster_counts_as_one() -> None:
    # 20 misses in a row among 4000, within a batch of 200: one batch mean of 0.1, nineteen of 0,
    # variance 0.1²/20, times 200 over p·q is 20.1, a bit more than 4000·p·q = 19.9, one cluster
    values = np.zeros(4000, dtype=np.int8)
    values[1010:1030] = 1
    p = 20.0 / 4000.0
    d = 4000.0 * p * (1.0 - p)
    assert effect(values) == pytest.approx(widened(d - 1.0, 3), rel=1e-9)


def test_what_says_nothing_leaves_the_trials_alone() -> None:
    assert effect(np.zeros(100)) == effect(np.ones(100)) == effect([]) == 1.0
    assert effect(np.repeat([1, 0], 9)) == 1.0  # 18 values: too few to tell
    assert design_effect([]) == 1.0


def test_runs_that_differ_widen_the_interval() -> None:
    # Four runs of 100 with 10, 10, 30 and 30 hits, evenly spread. Between runs: the mean of
    # 100·0.1² = 1, over 3/4 of p·q = 0.16.
    few, many = np.tile([1] + [0] * 9, 10), np.tile([1, 0, 0, 1, 0, 0, 0, 0, 1, 0], 10)
    values = np.concatenate([few, few, many, many])
    between = 100.0 * 4 * 0.1**2 / 3.0 / 0.16
    excess = (stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975)) ** 2 * (between - 1.0)
    assert effect(values, (0, 100, 200, 300)) == pytest.approx(1.0 + excess, rel=1e-9)
    # as one run they would not be seen to differ so much: the same values, no runs told
    mixed = np.stack([few, many, few, many], axis=1).reshape(40, 10)[:, ::-1].ravel()
    assert effect(mixed) < 0.5 * excess


def test_two_runs_are_taken_as_two() -> None:
    few, many = np.tile([1] + [0] * 9, 10), np.tile([1, 0, 0, 0, 0], 20)
    between = 100.0 * 2 * 0.05**2 / (0.15 * 0.85)
    wider = (stats.t.ppf(0.975, 1) / stats.norm.ppf(0.975)) ** 2
    both = np.concatenate([few, many])
    assert effect(both, (0, 100)) == pytest.approx(wider * between, rel=1e-9)


def test_a_run_without_an_outcome_is_no_run() -> None:
    values = np.tile([1, 0, 0, 0], 30)
    assert in_order(values, Course((0, 0, 60, 120))) == in_order(values, Course((0, 60)))


def test_independent_outcomes_stay_worth_nearly_what_they_are() -> None:
    # 19 degrees of freedom: χ²/19 cut off below 1 is 1.13 on average, and correlations that
    # chance makes (in 20 %, a factor of 2 or so) add some
    rng = np.random.Generator(np.random.PCG64(3))
    found = [effect(rng.random(2000) < 0.1) for _ in range(200)]
    assert min(found) == 1.0
    assert np.mean(found) < 1.45
    assert np.median(found) < 1.1


def test_a_share_of_independent_outcomes_has_wilsons_interval() -> None:
    hits = np.tile([True] + [False] * 9, 40)
    share = share_of(hits)
    assert share.effective_n == 400.0
    assert share.ci95 == pytest.approx(wilson(40 / 400, 400), rel=1e-12)
    assert share.upper95 is None


def test_a_share_of_clusters_has_the_interval_of_its_worth() -> None:
    hits = np.repeat([True, False] * 10, 30)
    share = share_of(hits)
    assert share.effective_n == pytest.approx(600.0 / effect(hits), rel=1e-12)
    assert share.ci95 == pytest.approx(share_interval(0.5, share.effective_n), rel=1e-12)


def test_none_seen_and_no_case() -> None:
    none = share_of(np.zeros(500, dtype=np.bool_))
    assert (none.count, none.effective_n) == (0, 500.0)
    assert none.upper95 == pytest.approx(1.0 - 0.05 ** (1.0 / 500.0), rel=1e-9)
    empty = share_of(np.zeros(0, dtype=np.bool_))
    assert (empty.count, empty.share, empty.ci95, empty.upper95, empty.effective_n) == (
        0,
        None,
        None,
        None,
        None,
    )


def test_runs_of_several_places_add_up_in_their_order() -> None:
    # a run here and one there are what both together are
    hits = np.random.Generator(np.random.PCG64(8)).random(900) < 0.2
    together = in_order(hits, Course((0, 300, 600)))
    apart = [run for k in (0, 300, 600) for run in in_order(hits[k : k + 300])]
    assert counted(together) == counted(apart)


def test_no_more_than_one_cluster_is_taken_from_all() -> None:
    assert effect([1] * 20 + [0] * 20, (0, 20)) == 40.0
    assert math.isclose(student.widened(19, 0.95), 2.0930 / 1.9600, rel_tol=1e-3)
