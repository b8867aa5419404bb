"""How many independent trials clustered ones are worth.

Losses come in runs: after a stop, a jam or a wait, or as a phase drifts. A share of such outcomes
varies more than that of independent ones; the ratio of the variances is its design effect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools
from feedsim.metrics.means import FEWEST, batches_of, growth
from feedsim.metrics.student import widened

_FEWEST_FREEDOM = 3
_FEW_RUNS = 3


@dataclass(frozen=True, slots=True)
class InOrder:
    """Outcomes of one run, summed up, with the effect of their order on the variance.

    ``n``, ``total``, ``squares``: number, sum and sum of squares of the outcomes (−1, 0 or 1 each).
    ``batches``: number of batches (:func:`feedsim.metrics.means.batches_of`).
    ``variance``: batch size times variance of the batch means; for independent outcomes of the same
    share it is squares/n − (total/n)² (by definition). NaN below 20 outcomes: too few to tell.
    ``lagged``: batch size times covariance of neighbouring batch means.
    """

    n: int
    total: int
    squares: int
    batches: int
    variance: float
    lagged: float


def in_order(values: Bools | NDArray[np.int8], begins: Sequence[int] = (0,)) -> tuple[InOrder, ...]:
    """Return the summary of each run for the design effect.

    ``values``: outcomes in time order, −1, 0 or 1, shape (n,). ``begins``: places at which a run
    begins, rising, the first 0. Runs without an outcome are left out.
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
    # counting is much faster than summing
    sums = (
        np.count_nonzero(rows, axis=1) if values.dtype == np.bool_ else rows.sum(1, dtype=np.int64)
    )
    away = (sums - sums.mean()) / size
    # single outcomes: divide as p·(1 − p) does, or d would exceed 1 without any clustering
    scale = size / (len(batches) - (size > 1))
    squared, product = float(away @ away), float(away[1:] @ away[:-1])
    return InOrder(n, total, squares, len(batches), scale * squared, scale * product)


def design_effect(
    runs: Sequence[InOrder], *, confidence: float = 0.95, strata: bool = False
) -> float:
    """Return the factor by which clustered outcomes need more trials than independent ones.

    From 1 to n; 1 if nothing shows that outcomes cluster (also where all are alike, and in a single
    run of fewer than 20). The runs are independent, in a fixed order. ``confidence``: of the
    two-sided interval that will use n divided by the design effect. ``strata``: runs have different
    shares (each at a speed of its own), so that their differences are no cluster.

    An effective number of trials n/d: Rao & Scott 1992, Biometrics 48:577-585. Within a run, d is
    the variance of 20 batch means over its value without clusters (Law, Simulation Modeling and
    Analysis, output analysis of a single system); runs pool their batches. Where batches are too
    short, d grows (:func:`feedsim.metrics.means.growth`).

    An estimated d is uncertain, and the normal quantile z of a Wilson interval ignores that. So the
    excess over 1 is widened by (t/z)² (Korn & Graubard 1998, Survey Methodology 24:193-201). t is
    Student's quantile for the degrees of freedom that the batches leave, or the number of clusters,
    n·p·(1 − p)/d, if that is smaller, but at least 3. There was at least one cluster, so d is at
    most n·p·(1 − p).

    Several runs: the excess of the variance between runs over that within them is added, widened
    by (t/z)² for (runs − 1) degrees of freedom. Two or three runs show so little of it that all
    variance between them counts. All sources from memory.
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
