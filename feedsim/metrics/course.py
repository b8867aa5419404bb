"""How values in time order are divided: into runs, and into strata within a run.

A stratum holds the cases of one setting, speed or planned event. Such changes come in every run at
the same place, so they are no chance: only what differs within a stratum is (Cochran, Sampling
Techniques, the chapter on stratified sampling, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.metrics.moves import Moves
from feedsim.metrics.rows import Rows, begins_among
from feedsim.records.stored import AT_ONCE

Labels = NDArray[np.int32]
"""Number of the stratum of each value, from 0."""
BATCHES = 20
"""Batches of a run from 40 values on: few and long, so that their means hardly correlate."""
_MOST_LOST = 0.125


@dataclass(frozen=True, slots=True)
class Course:
    """How n values in time order are divided.

    ``begins``: places at which a run begins, rising, the first 0.
    ``strata``: stratum of each value, the same number for the same one in every run, shape (n,);
    None: nothing was planned to change.
    ``every``: stratum of each carrier from the first of these values to the last, with or without a
    value; None: each has one.
    ``moves``: what moves their ends to other carriers, by run; none if carriers fix them all.
    """

    begins: Sequence[int] = (0,)
    strata: Labels | None = None
    every: Labels | None = None
    moves: tuple[Moves, ...] = ()

    def among(self, rows: Rows) -> Course:
        """Return the course of some of these values."""
        begins = begins_among(rows, self.begins)
        if self.strata is None:
            return Course(begins)
        return Course(begins, self.strata[rows], self.strata[_span(rows)], self.moves)

    def by_size(self, values: NDArray[Any]) -> float:
        """Return the variance of the mean of values, shape (n,), by how many each stratum has.

        Chance misses carriers: n_k values of N_k carriers have a variance of n_k·(1 − n_k/N_k), at
        least 1/4, that of a whole number or the next at even odds. With the stratum mean x̄_k, the
        mean of all varies by Σ (x̄_k − x̄)² times that over n² (derived). Ends that chance moves add
        theirs (:meth:`feedsim.metrics.moves.Moves.variance`).
        """
        if self.strata is None or not len(values):
            return 0.0
        n, total = per_stratum(self.strata), 0.0
        off, used = per_stratum(self.strata, values) - n * values.mean(), n > 0.0
        carriers = n if self.every is None else per_stratum(self.every)[: len(n)]
        if self.every is not None:
            missed = np.maximum(0.25, n[used] * (1.0 - n[used] / carriers[used]))
            total = float(missed @ (off[used] / n[used]) ** 2)
        total += sum(moves.variance(off, carriers) for moves in self.moves)
        return total / len(values) ** 2

    def runs(self, n: int) -> list[slice]:
        """Return the runs that have a value."""
        ends = [*self.begins[1:], n]
        return [slice(a, b) for a, b in zip(self.begins, ends, strict=True) if a < b]

    def residuals(self, values: Floats) -> Floats:
        """Return values less the mean of their stratum, of all runs together."""
        if self.strata is None:
            return np.asarray(values - values.mean())
        labels = numbered(self.strata)
        off = (per_stratum(labels, values) / per_stratum(labels))[labels]
        np.subtract(values, off, out=off)
        return off


ONE_RUN = Course()


def together(one: Course, other: Course) -> Course:
    """Return the course of values that two courses of the same runs divide."""
    if one.strata is None or other.strata is None:
        return other if one.strata is None else one
    wide = int(other.strata.max(initial=0)) + 1
    both = one.strata * wide + other.strata
    pairs = np.flatnonzero(per_stratum(both))
    moves = (
        each.inside(part.astype(np.int32))
        for course, part in ((one, pairs // wide), (other, pairs % wide))
        for each in course.moves
    )
    return Course(one.begins, numbered(both), moves=tuple(moves))


def _span(rows: Rows) -> slice:
    """Return the slice from the first of some rows to the last."""
    if isinstance(rows, slice):
        return rows
    if rows.dtype != np.bool_:
        return slice(*(int(rows[0]), int(rows[-1]) + 1) if len(rows) else (0, 0))
    return slice(int(rows.argmax()), len(rows) - int(rows[::-1].argmax()))


def numbered(labels: Labels) -> Labels:
    """Return labels in the same order, numbered from 0 without a gap."""
    used = per_stratum(labels) > 0.0
    return labels if used.all() else (np.cumsum(used, dtype=np.int32) - 1)[labels]


def per_stratum(labels: NDArray[Any], values: NDArray[Any] | None = None) -> Floats:
    """Return the sum of the values of each stratum, or their number, by label, shape (K,).

    Part by part, as all that follows, to save memory.
    """
    total = np.zeros(int(labels.max(initial=-1)) + 1)
    for i in range(0, len(labels), AT_ONCE):
        some = slice(i, i + AT_ONCE)
        weights = None if values is None else values[some]
        total += np.bincount(labels[some], weights, minlength=len(total))
    return total


def squares_per_stratum(
    values: NDArray[Any], labels: NDArray[Any], means: Floats | None = None
) -> Floats:
    """Return the sum of the squares of each stratum's values, less its mean if given."""
    total = np.zeros(int(labels.max(initial=-1)) + 1)
    for i in range(0, len(labels), AT_ONCE):
        some, off = labels[i : i + AT_ONCE], values[i : i + AT_ONCE]
        off = off if means is None else off - means[some]
        total += np.bincount(some, off * off, minlength=len(total))
    return total


def _by_batch(labels: Labels, cut: Batches, strata: int) -> Floats:
    """Return the number of values of each stratum in each batch, shape (b, K)."""
    parts, at_once = [], max(1, AT_ONCE // cut.size)
    for first in range(0, cut.number, at_once):
        rows = labels[first * cut.size : (first + at_once) * cut.size].reshape(-1, cut.size)
        places = rows + strata * np.arange(len(rows))[:, None]
        found = np.bincount(places.ravel(), minlength=len(rows) * strata)
        parts.append(found.reshape(-1, strata))
    return np.concatenate(parts).astype(float)


class BatchStrata(NamedTuple):
    """How K strata share b batches of equal length.

    ``labels``: of each value in a batch. ``sizes``: values of each stratum in each batch, shape
    (b, K). ``lost``: degrees of freedom L that the means of the strata take from the b batch means.
    ``freedom``: those of the variance of the mean, where strata vary by themselves.
    """

    labels: Labels
    sizes: Floats
    lost: float
    freedom: float

    def expected(self, values: NDArray[Any]) -> Floats:
        """Return each batch's sum if all values were the mean of their stratum, shape (b,)."""
        means = per_stratum(self.labels, values) / self.sizes.sum(axis=0)
        found: Floats = self.sizes @ means
        return found


class Batches(NamedTuple):
    """Batches of one run, whose means count as independent.

    ``number``: b; ``size``: values in each; ``first``: place of the first value in a batch;
    ``strata``: how these share them; None: all are in one, or count as one.
    """

    number: int
    size: int
    first: int
    strata: BatchStrata | None = None

    @property
    def lost(self) -> float:
        """Degrees of freedom that means take from the batch means."""
        return 1.0 if self.strata is None else self.strata.lost


def batches_of(
    values: NDArray[Any], labels: Labels | None = None, *, equal: bool = False
) -> Batches:
    """Cut n values of one run, in time order, into batches.

    20 of equal length that end with the last value, or each value alone, below 40. ``labels``: of
    the values, shape (n,). Where their strata would take more than b/8 degrees of freedom there are
    twice as many batches, and so on, at last each value alone; if even these are too few, strata
    count as chance, and intervals are wide. ``equal``: strata count as equally variable, since
    these values do not show more (few outcomes that are mostly alike).
    """
    n = len(values)
    number = BATCHES if n >= 2 * BATCHES else n
    plain = _cut(n, number)
    if labels is None or not n or labels.min() == labels.max():
        return plain
    numbers = [number]
    while 4 * numbers[-1] <= n:
        numbers.append(2 * numbers[-1])
    for b in (*numbers, n):
        found = _cut(n, b)
        strata = _shared(values[found.first :], labels[found.first :], found, equal=equal)
        if strata.lost <= _MOST_LOST * b:
            return found._replace(strata=strata)
    return plain


def _cut(n: int, number: int) -> Batches:
    size = n // number if number else 0
    return Batches(number, size, n - size * number)


def _shared(values: NDArray[Any], labels: Labels, cut: Batches, *, equal: bool) -> BatchStrata:
    """Return how the strata of the values in all batches share them.

    With m values of stratum k in a batch, n_k in all and s_k² their variance, the squares of batch
    means, each less its expectation, add up to Σ n_k·s_k²·(1 − l_k) over the squared batch size,
    l_k = Σ m²/n_k², where independent values about known means have Σ n_k·s_k². So b batches are
    worth b − L, L = b·Σ n_k·s_k²·l_k/Σ n_k·s_k² (the trace of a projection; derived). Degrees of
    freedom: (Σ n_k·s_k²)²/Σ (n_k·s_k²)²/(n_k − 1) (Satterthwaite 1946, Biometrics Bulletin
    2:110-114, from memory). The s_k² of a single value is that of all strata together.
    """
    labels = numbered(labels)
    strata = int(labels.max()) + 1
    sizes = _by_batch(labels, cut, strata)
    n = sizes.sum(axis=0)
    squares = squares_per_stratum(values, labels, per_stratum(labels, values) / n)
    free = np.maximum(n - 1.0, 1.0)
    together = float(squares.sum()) / max(1.0, len(values) - strata)
    share = n if equal or not together else n * np.where(n > 1.0, squares / free, together)
    whole = float(share.sum())
    lost = cut.number * float(np.sum(share * (sizes**2).sum(axis=0) / n**2)) / whole
    return BatchStrata(labels, sizes, lost, whole**2 / float(np.sum(share**2 / free)))
