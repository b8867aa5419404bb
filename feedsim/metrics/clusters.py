"""How many independent trials clustered ones are worth.

Losses come in runs: after a stop, a jam or a wait, or as a phase drifts. A share of such outcomes
varies more than that of independent ones; the ratio of the variances is its design effect.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Floats
from feedsim.metrics.course import ONE_RUN, Batches, Course, Labels, batches_of
from feedsim.metrics.means import FEWEST, growth
from feedsim.metrics.student import widened

_FEWEST_FREEDOM = 3
_FEW_RUNS = 3
_SHRUNK = 3.84
"""Outcomes of the whole that are added to each stratum: z² of 95 %, as Wilson's interval adds."""


class Counts(NamedTuple):
    """Number, sum and sum of squares of outcomes."""

    n: int
    total: int
    squares: int


@dataclass(frozen=True, slots=True)
class InOrder:
    """Outcomes of one run, summed up, with the effect of their order on the variance.

    ``n``, ``total``, ``squares``: number, sum and sum of squares of the outcomes (−1, 0 or 1 each).
    ``batches``: number of batches (:func:`feedsim.metrics.course.batches_of`). ``lost``: degrees of
    freedom that they lose to means.
    ``variance``: batch size times variance of the batch means; for independent outcomes of the same
    share it is squares/n − (total/n)² (by definition). NaN below 20 outcomes: too few to tell.
    ``lagged``: batch size times covariance of neighbouring batch means.
    ``moved``: variance of the total by how many outcomes each stratum has
    (:meth:`feedsim.metrics.course.Course.by_size`).
    ``strata``: number of each stratum with its counts; empty if there is one.
    """

    n: int
    total: int
    squares: int
    batches: int
    variance: float
    lagged: float
    lost: float = 1.0
    strata: tuple[tuple[int, Counts], ...] = ()
    moved: float = 0.0

    @property
    def counts(self) -> Counts:
        """All outcomes."""
        return Counts(self.n, self.total, self.squares)


def in_order(values: Bools | NDArray[np.int8], course: Course = ONE_RUN) -> tuple[InOrder, ...]:
    """Return the summary of each run for the design effect.

    ``values``: outcomes in time order, −1, 0 or 1, shape (n,). ``course``: how they are divided
    into runs and strata. Runs without an outcome are left out.
    """
    labels = course.strata
    per_outcome = course.by_size(values) * len(values)
    found = (
        _one_run(values[run], None if labels is None else labels[run])
        for run in course.runs(len(values))
    )
    return tuple(replace(run, moved=per_outcome * run.n) for run in found)


def _one_run(values: Bools | NDArray[np.int8], labels: Labels | None) -> InOrder:
    counts, cut = _counts(values), batches_of(values, labels, equal=True)
    strata: tuple[tuple[int, Counts], ...] = ()
    if cut.strata is not None and labels is not None:
        present = np.unique(labels).tolist()
        strata = tuple((label, _counts(values[labels == label])) for label in present)
    if counts.n < FEWEST:
        return InOrder(*counts, cut.number, math.nan, math.nan, strata=strata)
    away = _away(values[cut.first :], cut) / cut.size
    # single outcomes: divide as p·(1 − p) does, or d would exceed 1 without any clustering
    scale = cut.size / (cut.number - (cut.lost if cut.size > 1 else 0.0))
    squared, product = float(away @ away), float(away[1:] @ away[:-1])
    return InOrder(*counts, cut.number, scale * squared, scale * product, cut.lost, strata)


def _away(values: Bools | NDArray[np.int8], cut: Batches) -> Floats:
    """Return how far the sum of each batch lies from what its strata let expect, shape (b,)."""
    rows = values.reshape(cut.number, cut.size)
    # counting is much faster than summing
    sums = (
        np.count_nonzero(rows, axis=1) if values.dtype == np.bool_ else rows.sum(1, dtype=np.int64)
    )
    expected = sums.mean() if cut.strata is None else cut.strata.expected(values)
    return np.asarray(sums - expected)


def _counts(values: Bools | NDArray[np.int8]) -> Counts:
    squares = int(np.count_nonzero(values))
    total = squares if values.dtype == np.bool_ else int(values.sum(dtype=np.int64))
    return Counts(len(values), total, squares)


def design_effect(
    runs: Sequence[InOrder], *, confidence: float = 0.95, strata: bool = False
) -> float:
    """Return the factor by which clustered outcomes need more trials than independent ones.

    From 1 to n, without strata; 1 if nothing shows that outcomes cluster (also where all are alike,
    and in a single run of fewer than 20). The runs are independent, in a fixed order.
    ``confidence``: of the two-sided interval that will use n divided by the design effect.
    ``strata``: runs have different shares (each at a speed of its own), so that their differences
    are no cluster.

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
    variance between them counts.

    Outcomes in strata of their own (:mod:`feedsim.metrics.course`) vary only within them: then all
    this is relative to what independent outcomes vary there, times its share of what they vary in
    all (:func:`_gain`), so that d may lie below 1 (Kish, Survey Sampling, 1965). How many there are
    in each is chance too, and adds its variance over that of independent outcomes. All sources from
    memory.
    """
    n = sum(run.n for run in runs)
    if n == 0:
        return 1.0
    total = sum(run.total for run in runs)
    groups = [run.counts for run in runs] if strata else list(_by_stratum(runs))
    apart = sum(group.total * group.total / group.n for group in groups)
    alone = (sum(run.squares for run in runs) - apart) / n
    gain = 1.0 if strata else _gain(groups)
    moved = _moved(runs)
    if alone <= 0.0:
        return gain + moved
    within, freedom = _within(runs, alone)
    within = min(within, max(1.0, n * alone))
    known = max(_FEWEST_FREEDOM, min(freedom, round(n * alone / within)))
    effect = 1.0 + widened(known, confidence) ** 2 * (within - 1.0)
    if len(runs) > 1 and not strata:
        means = sum(run.n * (run.total / run.n - total / n) ** 2 for run in runs)
        between = means / ((len(runs) - 1) * alone)
        wider = widened(len(runs) - 1, confidence) ** 2
        if len(runs) > _FEW_RUNS:
            effect += wider * max(0.0, between - within - moved / gain)
        else:
            effect = max(effect, wider * between - moved / gain)
    return gain * min(effect, float(n)) + moved


def _moved(runs: Sequence[InOrder]) -> float:
    """Return the variance by the sizes of strata over that of independent outcomes."""
    n, total, squares = (sum(getattr(r, k) for r in runs) for k in ("n", "total", "squares"))
    alone = n * squares - total * total
    return n * sum(run.moved for run in runs) / alone if alone > 0 else 0.0


def _by_stratum(runs: Sequence[InOrder]) -> Iterator[Counts]:
    """Yield the counts of each stratum, of all runs together."""
    found: dict[int, list[Counts]] = defaultdict(list)
    for run in runs:
        for number, counts in run.strata or ((0, run.counts),):
            found[number].append(counts)
    for parts in found.values():
        yield Counts(*(sum(column) for column in zip(*parts, strict=True)))


def _gain(strata: Sequence[Counts]) -> float:
    """Return the variance of independent outcomes within strata over that in all, at most 1.

    Of a stratum with the mean m and the mean square q of n outcomes it is q − m², in all the same
    of the means over all n. A few outcomes that are alike do not show that all would be: each
    stratum's m and q are those of its n outcomes and 3.84 more like all (z², which Wilson's
    interval adds; derived). 1 where all are alike.
    """
    n, total, squares = (sum(column) for column in zip(*strata, strict=True))
    if len(strata) == 1 or n * squares == total * total:
        return 1.0
    inside = mean = square = 0.0
    for part in strata:
        m = (part.total + _SHRUNK * total / n) / (part.n + _SHRUNK)
        q = (part.squares + _SHRUNK * squares / n) / (part.n + _SHRUNK)
        weight = part.n / n
        inside, mean, square = inside + weight * (q - m * m), mean + weight * m, square + weight * q
    return min(1.0, inside / (square - mean * mean))


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
    lost = sum(run.lost for run in long) / len(long)
    more = growth(alike, [run.batches for run in long], lost=lost)
    return max(1.0, more.factor * variance / alone), more.freedom
