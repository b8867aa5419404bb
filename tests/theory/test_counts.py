"""Fact 9 of the model: at one speed counts follow the binomial, and intervals cover as stated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from feedsim.arrivals import Paced
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Carriers
from feedsim.metrics.intervals import wilson
from feedsim.metrics.means import mean_interval
from feedsim.records.outcome import Outcome
from feedsim.running.engines import simulated
from tests.machines import NOISY_EYE, machine, spread_carriers, spread_feeder

pytestmark = pytest.mark.usefixtures("either_engine")

RUNS, CARRIERS, MISSED = 240, 200, 0.04


@pytest.fixture(scope="module")
def counts() -> np.ndarray:
    """Carriers that their eye did not see, in runs that differ in seed only."""
    line = machine(
        carriers=Carriers(Paced(210.0, 260.0)),
        carrier_eye=replace(NOISY_EYE, missed=MISSED),
    )
    runs = (simulated(line, RunDraws(line, seed), carriers=CARRIERS) for seed in range(RUNS))
    return np.array([np.sum(r.feeders[0].outcome == int(Outcome.NOT_SEEN)) for r in runs])


def test_counts_follow_the_binomial(counts: np.ndarray) -> None:
    # chi-square over cells of at least 5 expected runs; its 1e-4 point is what |z| < 4 is elsewhere
    edges = [-1, 4, 5, 6, 7, 8, 9, 10, 12, CARRIERS]
    expected = RUNS * np.diff(stats.binom.cdf(edges, CARRIERS, MISSED))
    assert expected.min() > 5.0
    seen, _ = np.histogram(counts, np.array(edges) + 0.5)
    assert stats.chisquare(seen, expected).pvalue > 1e-4
    wrong = RUNS * np.diff(stats.binom.cdf(edges, CARRIERS, 1.25 * MISSED))
    assert stats.chisquare(seen, wrong * RUNS / wrong.sum()).pvalue < 1e-4


def test_wilson_intervals_cover_as_stated(counts: np.ndarray) -> None:
    # the exact coverage of the interval at this n and p, by summing the binomial, is the theory
    def covers(k: int) -> bool:
        interval = wilson(k / CARRIERS, CARRIERS)
        return interval is not None and interval.low <= MISSED <= interval.high

    each = np.array([covers(k) for k in range(CARRIERS + 1)])
    exact = float(stats.binom.pmf(np.arange(CARRIERS + 1), CARRIERS, MISSED) @ each)
    assert 0.93 < exact < 0.97
    seen = float(np.mean([each[k] for k in counts]))
    assert abs(seen - exact) / math.sqrt(exact * (1.0 - exact) / RUNS) < 4.0


def test_intervals_of_the_mean_cover_as_stated() -> None:
    # right settings, nothing with a known term: the true mean error is 0
    line = machine(spread_feeder(eye=NOISY_EYE), carriers=spread_carriers(), carrier_eye=NOISY_EYE)
    covered = shifted = 0
    runs = 200
    for seed in range(runs):
        rows = simulated(line, RunDraws(line, seed), carriers=200).feeders[0]
        interval = mean_interval(rows.placement_error_mm)
        assert interval is not None
        covered += interval.low <= 0.0 <= interval.high
        shifted += interval.low <= 0.03 <= interval.high
    error = math.sqrt(0.95 * 0.05 / runs)
    assert abs(covered / runs - 0.95) / error < 4.0
    assert (0.95 - shifted / runs) / error > 4.0
