"""What the design effect of shares is, and what verdicts make of it where outcomes cluster.

Coverage of the intervals themselves: ``test_interval_coverage.py``. All of 200
series are of one seed, 0.

Known truths. Two states, the next outcome the same as the last with a probability that makes
neighbours correlate by ρ: the variance of a share is (1 + ρ)/(1 − ρ) times the binomial one
(Σ ρ^|k| over all lags). A mean of m of them: (1 + ρ)/(1 − ρ) − 2ρ(1 − ρ^m)/(m(1 − ρ)²).
"""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.criteria import Criteria
from feedsim.metrics.clusters import design_effect, in_order
from feedsim.metrics.intervals import wilson
from feedsim.metrics.share import share_of
from feedsim.metrics.tally import Sureness, Tally, sureness

SEEDS = 200
Bools = NDArray[np.bool_]


def generator(seed: int = 0) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(seed))


def two_states(n: int, share: float, rho: float) -> Bools:
    """Return series of two states, shape (series, n)."""
    uniform = generator().random((n, SEEDS))
    state = np.empty((n, SEEDS), dtype=np.bool_)
    state[0] = uniform[0] < share
    enter, stay = share * (1.0 - rho), share + rho * (1.0 - share)
    for k in range(1, n):
        state[k] = uniform[k] < np.where(state[k - 1], stay, enter)
    return state.T


def in_runs(n: int, share: float, length: int) -> Bools:
    """Return losses that begin by chance and go on for so many carriers (a jam, a stop)."""
    begin = 1.0 - (1.0 - share) ** (1.0 / length)
    starts = generator().random((SEEDS, n + length)) < begin
    sums = np.cumsum(starts, axis=1)
    return (sums[:, length:] - sums[:, :-length]) > 0


def walking(n: int, share: float, period: float) -> Bools:
    """Return losses of a phase that walks: locked ticks beat with the pitch."""
    rng = generator()
    phase = rng.random((SEEDS, 1)) + np.arange(n) / period
    return (phase + 0.02 * rng.standard_normal((SEEDS, n))) % 1.0 < share


def covered(series: Bools, truth: float, *, plain: bool = False) -> float:
    """Return how often our interval covers, or plain Wilson."""
    found = [wilson(h.mean(), len(h)) if plain else share_of(h).ci95 for h in series]
    assert all(interval is not None for interval in found)
    return float(np.mean([i.low <= truth <= i.high for i in found if i is not None]))


def test_a_phase_that_walks_is_covered() -> None:
    # What comes back evenly varies less than chance: an interval that is never narrower than
    # that of independent outcomes covers nearly always. Slow against the run it fools Wilson.
    for n, period in ((4000, 40.0), (4000, 330.0)):
        assert covered(walking(n, 0.05, period), 0.05) >= 0.95
    slow = walking(4000, 0.2, 1700.0)
    assert covered(slow, 0.2) >= 0.91
    assert covered(slow, 0.2, plain=True) < 0.5


def test_the_design_effect_of_two_states() -> None:
    rho, n, share = 0.6, 4000, 0.2
    m = n // 20
    exact = (1 + rho) / (1 - rho) - 2 * rho * (1 - rho**m) / (m * (1 - rho) ** 2)
    runs = [run for row in two_states(n, share, rho) for run in in_order(row)]
    pooled = sum(run.variance for run in runs) / len(runs) / (share * (1 - share))
    error = exact * math.sqrt(2.0 / (19 * SEEDS))  # batch means are all but normal
    assert abs(pooled - exact) / error < 4.0
    assert abs(pooled - 1.0) / error > 4.0
    assert design_effect(runs) == pytest.approx(pooled, rel=0.1)


def tally_of(missed: Bools) -> Tally:
    n, nothing = len(missed), np.zeros(len(missed), dtype=np.bool_)
    values = dict.fromkeys((f.name for f in fields(Tally)), 0)
    counts = {"carriers": n, "placed": n, "within": n, "cycles": n, "missed": int(missed.sum())}
    orders = {"within_in_order": ~nothing, "missed_in_order": missed, "risk_in_order": nothing}
    return Tally(
        **values
        | counts
        | {"causes": (), "hazards": ()}
        | {name: in_order(hits) for name, hits in orders.items()}
    )


def test_with_the_limit_at_the_true_share_hardly_a_verdict_is_for_sure() -> None:
    # Stops of 25 carriers, 5 % lost, at most 5 % allowed: either verdict is a wrong one.
    limits = Criteria(1.5, 0.5, 0.05, 0.5, 0.05, 0.0)
    lost = in_runs(4000, 0.05, 25)
    said = [sureness([[tally_of(row)]], limits, confidence=0.95) for row in lost]
    assert np.mean([s is not Sureness.OPEN for s in said]) < 0.09
    several = [
        sureness(
            [[tally_of(row[k : k + 1000]) for k in range(0, 4000, 1000)]], limits, confidence=0.95
        )
        for row in lost
    ]
    assert np.mean([s is not Sureness.OPEN for s in several]) < 0.09
    # the twin: the same losses in an order that hides their runs
    rng = generator(1)
    hidden = [sureness([[tally_of(rng.permutation(row))]], limits, confidence=0.95) for row in lost]
    assert np.mean([s is not Sureness.OPEN for s in hidden]) > 0.3


def rare_jams(n: int, each: int, clusters: float, rng: np.random.Generator) -> Bools:
    """Return a run of so many carriers in which hazards come in runs: a Poisson number of them."""
    hits = np.zeros(n, dtype=np.bool_)
    for start in rng.integers(0, n - 2 * each, rng.poisson(clusters)):
        hits[start : start + 2 * each : 2] = True
    return hits


@pytest.mark.parametrize(("each", "clusters"), [(1, 6), (4, 6), (30, 12)])
def test_a_share_of_a_few_in_a_million_is_covered(each, clusters) -> None:
    """Where all that is seen are a few runs of hazards, as where each comes alone."""
    n, rng = 1_000_000, generator(7)
    truth = clusters * each / n
    held = plain = 0
    for _ in range(SEEDS):
        hits = rare_jams(n, each, clusters, rng)
        found = share_of(hits)
        held += found.ci95.low <= truth <= found.ci95.high
        low, high = wilson(found.count / n, n)
        plain += low <= truth <= high
    assert 0.91 * SEEDS <= held <= 0.995 * SEEDS
    # the twin, that takes hazards as independent
    assert (plain > 0.9 * SEEDS) == (each == 1)
