"""Coverage of the batch-means interval on an autoregression.

From memory: Law & Kelton, Simulation Modeling and Analysis, output analysis: the interval
that takes neighbours as independent is far too short on correlated output; 20 batches that
are long against the correlation cover at about the stated rate.
"""

import math

import numpy as np
from scipy import signal, stats

from feedsim.metrics.means import mean_interval

PHI = 0.8
SERIES = 400
LENGTH = 20 * 950


def autoregressions():
    """Return series x' = 0.8·x + noise of mean 0, one a row, started in the steady state."""
    rng = np.random.Generator(np.random.PCG64(5))
    noise = rng.standard_normal((SERIES, LENGTH))
    noise[:, 0] /= math.sqrt(1.0 - PHI**2)
    return signal.lfilter([1.0], [1.0, -PHI], noise, axis=1)


def standard_error(coverage):
    return math.sqrt(coverage * (1.0 - coverage) / SERIES)


def test_batch_means_cover_and_the_naive_interval_does_not():
    series = autoregressions()

    covered = np.mean([low <= 0.0 <= high for low, high in map(mean_interval, series)])
    assert abs(covered - 0.95) < 0.04
    assert abs(covered - 0.95) / standard_error(0.95) < 4.0

    # The planted fault: every value its own batch. The sd of a mean is √((1 + φ)/(1 − φ)) = 3
    # times what it takes it for, so it covers with 2Φ(1.96/3) − 1 = 0.486.
    sem = stats.sem(series, axis=1)
    low, high = stats.t.interval(0.95, LENGTH - 1, loc=series.mean(axis=1), scale=sem)
    naive = np.mean((low <= 0.0) & (high >= 0.0))
    expected = 2.0 * stats.norm.cdf(stats.norm.ppf(0.975) / 3.0) - 1.0
    assert naive < 0.60
    assert abs(naive - expected) / standard_error(expected) < 4.0
