"""How many independent trials clustered ones are worth.

Losses come in runs: after a stop, a jam or a wait, on a phase that walks. A share of such outcomes
varies more than that of as many independent ones; by how much is its design effect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools
from feedsim.metrics.means import FEWEST, batches_of, growth, widened

_FEWEST_FREEDOM = 3
_FEW_RUNS = 3


@dataclass(frozen=True, slots=True)
class InOrder:
    """Outcomes of one run, summed up, with the effect of their order on the variance.

    Attributes
    ----------
    n, total, squares : int
        Number, sum and sum of squares of the outcomes (−1, 0 or 1 each).
    batches : int
        Of the run (:func:`feedsim.metrics.means.batches_of`).
    variance : float
        Batch size times variance of the batch means; that of independent outcomes of the same
        share is squares/n − (total/n)² (by definition). NaN below 20 outcomes: too few to tell.
    lagged : float
        Batch size times covariance of neighbouring batch means.
    """

    n: int
    total: int
    squares: int
    batches: int
    variance: float
    lagged: float


def in_order(values: Bools | NDArray[np.int8], begins: Sequence[int] = (0,)) -> tuple[InOrder, ...]:
    """Return the summary of each run for the design effect.

    Parameters
    ----------
    values : bool or int8 array, shape (n,)
        Outcomes in time order; −1, 0 or 1.
    begins : sequence of int
        Places at which a run begins, rising, the first 0. Runs without an outcome are left out.
    """
    ends = [*begins[1:], len(values)]
    return tuple(_one_run(values[a:b]) for a, b in zip(begins, ends, strict=True) if a < b)


def _one_run(values: Bools | NDArray[np.int8]) -> InOrder:
    n, squares = len(values), int(np.count_nonzero(values))
    total = squares if values.dtype == np.bool_ else int(values.sum(dtype=np.int64))
    batches = batches_of(n)
    if n < FEWEST:
        return InOrder(n, total, squares, len(batches), math.nan, math.nan)
    size = batches[0].stop - batches[0].start
    rows = values[batches[0].start :].reshape(len(batches), size)
    # counting is many times as quick as adding up
    sums = (
        np.count_nonzero(rows, axis=1) if values.dtype == np.bool_ else rows.sum(1, dtype=np.int64)
    )
    away = (sums - sums.mean()) / size
    # of single outcomes the divisor is that of p·(1 − p): else d would be above 1 for nothing
    scale = size / (len(batches) - (size > 1))
    squared, product = float(away @ away), float(away[1:] @ away[:-1])
    return InOrder(n, total, squares, len(batches), scale * squared, scale * product)


def design_effect(
    runs: Sequence[InOrder], *, confidence: float = 0.95, strata: bool = False
) -> float:
    """Return the factor by which clustered outcomes need more trials than independent ones.

    Parameters
    ----------
    runs : sequence of InOrder
        One for each independent run, in a fixed order.
    confidence : float
        Of the two-sided interval that is to be made with n divided by the design effect.
    strata : bool
        Runs are of different shares (each at a speed of its own): what they differ by is no
        cluster.

    Returns
    -------
    float
        1 where nothing shows that outcomes cluster (also where all are alike, and in a single run
        of fewer than 20), never less, never above n.

    Notes
    -----
    An effective number of trials n/d: Rao & Scott 1992, Biometrics 48:577-585. Within a run, d is
    the variance of 20 batch means over what it would be without clusters (Law, Simulation
    Modeling and Analysis, output analysis of a single system); runs pool their batches. Where
    batches are too short, d grows (:func:`feedsim.metrics.means.growth`).

    An estimated d is uncertain, and the normal quantile z of a Wilson interval does not know. So
    what exceeds 1 is widened by (t/z)², t Student's quantile (Korn & Graubard 1998, Survey
    Methodology 24:193-201), of what degrees of freedom the batches leave, or as many as there are
    clusters, n·p·(1 − p)/d, but for 3 at least. What was seen is one cluster at least, so that d is
    never taken for more than n·p·(1 − p).

    Several runs: what the variance between runs exceeds that within them by is added, widened by
    (t/z)² of (runs − 1) degrees of freedom. Two or three runs say so little of it that all variance
    between them is taken so. All sources from memory.
    """
    n = sum(run.n for run in runs)
    if n == 0:
        return 1.0
    total = sum(run.total for run in runs)
    whole = float(total * total) / n
    apart = sum(run.total * run.total / run.n for run in runs) if strata else whole
    alone = (sum(run.squares for run in runs) - apart) / n
    if alone <= 0.0:
        return 1.0
    within, freedom = _within(runs, alone)
    within = min(within, max(1.0, n * alone))
    known = max(_FEWEST_FREEDOM, min(freedom, round(n * alone / within)))
    effect = 1.0 + widened(known, confidence) ** 2 * (within - 1.0)
    if len(runs) > 1 and not strata:
        means = sum(run.n * (run.total / run.n - total / n) ** 2 for run in runs)
        between = means / ((len(runs) - 1) * alone)
        wider = widened(len(runs) - 1, confidence) ** 2
        if len(runs) > _FEW_RUNS:
            effect += wider * max(0.0, between - within)
        else:
            effect = max(effect, wider * between)
    return min(effect, float(n))


def _within(runs: Sequence[InOrder], alone: float) -> tuple[float, float]:
    """Return the design effect within runs, at least 1, and its degrees of freedom."""
    long = [run for run in runs if not math.isnan(run.variance)]
    n = sum(run.n for run in long)
    if not n:
        return 1.0, math.inf
    variance = sum(run.n * run.variance for run in long) / n
    if variance <= 0.0:
        return 1.0, math.inf
    alike = sum(run.n * run.lagged for run in long) / n / variance
    more = growth(alike, [run.batches for run in long])
    return max(1.0, more.factor * variance / alone), more.freedom
