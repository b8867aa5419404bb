"""Lag-1 autocorrelation against certified values, and the runs test against counting.

NIST Statistical Reference Datasets, univariate summary statistics, certified to 15 digits, from
memory: Michelso (A. A. Michelson's 100 measurements of the speed of light, 1879, in 1e6 m/s):
mean 299.852400000000, standard deviation 0.0790105478190518, lag 1 0.535199668621283.
The first two are checked as well, since they show that the values are the right ones.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from feedsim.metrics.serial import lag_one, runs_test

# km/s above 299,000, in the order in which they were taken
MICHELSON = np.array([
    850, 740, 900, 1070, 930, 850, 950, 980, 980, 880, 1000, 980, 930, 650, 760, 810, 1000, 1000,
    960, 960, 960, 940, 960, 940, 880, 800, 850, 880, 900, 840, 830, 790, 810, 880, 880, 830, 800,
    790, 760, 800, 880, 880, 880, 860, 720, 720, 620, 860, 970, 950, 880, 910, 850, 870, 840, 840,
    850, 840, 840, 840, 890, 810, 810, 820, 800, 770, 760, 740, 750, 760, 910, 920, 890, 860, 880,
    720, 840, 850, 850, 780, 890, 840, 780, 810, 760, 810, 790, 810, 820, 850, 870, 870, 810, 740,
    810, 940, 950, 800, 810, 870,
], dtype=np.float64)  # fmt: skip


def test_the_certified_values() -> None:
    values = 299.0 + MICHELSON / 1000.0
    assert values.mean() == pytest.approx(299.8524, rel=1e-14)
    assert values.std(ddof=1) == pytest.approx(0.0790105478190518, rel=1e-12)
    found = lag_one(values - values.mean(), np.zeros(100, dtype=np.intp))
    assert found is not None
    assert found.correlation == pytest.approx(0.535199668621283, rel=1e-11)
    assert found.chance < 1e-6


@pytest.mark.parametrize(("above", "below"), [(3, 4), (2, 7), (5, 5)])
def test_runs_by_counting_every_order(above: int, below: int) -> None:
    n = above + below
    counts = []
    for chosen in combinations(range(n), above):
        signs = np.full(n, -1.0)
        signs[list(chosen)] = 1.0
        counts.append(1 + int(np.sum(signs[1:] != signs[:-1])))
        found = runs_test(signs, np.zeros(n, dtype=np.intp))
        assert found is not None
        assert found.seen == counts[-1]
    assert found.expected == pytest.approx(np.mean(counts), rel=1e-12)
    # two groups of the same: both add up; a group with one side only tells nothing
    two = np.concatenate([signs, [0.0, 2.0, 2.0], signs])
    groups = np.repeat(np.arange(3, dtype=np.intp), [n, 3, n])
    both = runs_test(two, groups)
    assert both is not None
    assert both.expected == pytest.approx(2.0 * np.mean(counts), rel=1e-12)
    assert both.seen == 2 * counts[-1]
    from scipy.stats import norm

    z = (both.seen - both.expected) / np.sqrt(2.0 * np.var(counts))
    assert both.chance == pytest.approx(2.0 * norm.sf(abs(z)), rel=1e-9)


def test_too_few_or_equal_values_tell_nothing() -> None:
    assert lag_one(np.zeros(40), np.zeros(40, dtype=np.intp)) is None
    assert lag_one(np.array([-1.0, 1.0, 0.0] * 3), np.repeat(np.arange(3), 3)) is None
    assert runs_test(np.ones(5), np.zeros(5, dtype=np.intp)) is None
    assert runs_test(np.zeros(5), np.zeros(5, dtype=np.intp)) is None
