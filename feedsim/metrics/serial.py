"""Whether values in time order are independent, and the cost if they are not.

Values come in groups with the same settings; every figure pools what is found within groups.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats, Places
from feedsim.metrics.course import Labels, per_stratum, squares_per_stratum
from feedsim.metrics.spread import sum_of_products

_MOST = 0.95
_FEWEST = 8.0
_LEAST_LEFT = 0.1


class LagOne(NamedTuple):
    """Correlation of neighbours.

    ``correlation``: as measured; ``chance``: probability of one at least this far off if values
    are independent; ``process``: coefficient of a first-order autoregression, −0.95…0.95.
    """

    correlation: float
    chance: float
    process: float


class Runs(NamedTuple):
    """Number of runs on one side of the mean.

    ``seen``; ``expected`` if values are independent; ``chance``: probability of a number at least
    this far off.
    """

    seen: int
    expected: float
    chance: float


def lag_one(off: Floats, groups: Places | Labels | None = None) -> LagOne | None:
    """Return the correlation of neighbours.

    ``off``: each value less the mean of its group, all of one spread, in order, shape (n,).
    ``groups``: of each value, from 0, none empty; one group if left out. None if groups are too
    small to tell (8 values on average), or no values differ.

    With S the sum of squares of a group of n values, r = Σ u_i·u_(i+1)/Σ u_i² over all groups.
    For independent normal values, r of one group has the mean −1/n and the variance
    (n − 2)²/(n²·(n − 1)) (Moran 1948, Biometrika 35:255-260); groups are weighted by S. φ is from
    :func:`process_of`. From memory; the tests check it by simulation.
    """
    if groups is None:
        squares, products = sum_of_products(off, off), sum_of_products(off[:-1], off[1:])
        return _lag(np.array([len(off)]), np.array([squares]), products)
    counts = per_stratum(groups)
    return _lag(counts.astype(np.intp), squares_per_stratum(off, groups), _products(off, groups))


def _products(off: Floats, groups: Places | Labels) -> float:
    """Return the sum of the products of each value and the next one in its group.

    Those of all neighbours, less those where groups meet, plus those across what lies between.
    """
    found = sum_of_products(off[:-1], off[1:])
    ends = np.flatnonzero(groups[1:] != groups[:-1])
    found -= float(np.sum(off[ends] * off[ends + 1]))
    begins, ends = np.append(0, ends + 1), np.append(ends, len(off) - 1)
    one, two = _neighbours(groups[begins])
    return found + float(np.sum(off[ends[one]] * off[begins[two]]))


def _lag(counts: Places, squares: NDArray[Any], products: float) -> LagOne | None:
    from scipy.special import ndtr

    total = float(squares.sum())
    if total <= 0.0:
        return None
    weights = squares / total
    less = float(np.sum(weights / counts))
    if less * _FEWEST > 1.0:
        return None
    correlation = products / total
    several = counts > 1
    n = counts[several].astype(np.float64)
    each = (n - 2.0) ** 2 / (n * n * (n - 1.0))
    sd = math.sqrt(float(np.sum(weights[several] ** 2 * each)))
    chance = 2.0 * float(ndtr(-abs(correlation + less) / sd)) if sd > 0.0 else 1.0
    process = process_of(correlation, less)
    return LagOne(correlation, chance, min(_MOST, max(-_MOST, process)))


def process_of(correlation: float, less: float, *, more: float = 0.0) -> float:
    """Return the coefficient φ of a process u_i = φ·u_(i−1) + noise.

    ``correlation``: r of neighbours among n values less their mean. ``less``: 1/n. ``more``: added
    to r. r has the mean φ − (1 + 4φ)/n (Marriott & Pope 1954, Biometrika 41:390-402, from memory),
    solved for φ.
    """
    return (correlation + less + more) / (1.0 - 4.0 * less)


def runs_test(off: Floats, groups: Places) -> Runs | None:
    """Count the runs on one side of the mean; None where no group has values on both sides.

    ``off``: each value less the mean of its group, in order, shape (n,); 0 counts on neither side.

    With n₁ values above and n₂ below in random order, the number of runs has the mean
    2·n₁n₂/n + 1 and the variance 2·n₁n₂·(2·n₁n₂ − n)/(n²·(n − 1)), n = n₁ + n₂ (Wald &
    Wolfowitz 1940; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.13). Means and
    variances add up over groups; the sum is taken as normal.
    """
    from scipy.special import ndtr

    kept = off != 0.0
    above, groups = off[kept] > 0.0, groups[kept]
    if not len(groups):
        return None
    n = np.bincount(groups).astype(np.float64)
    up = np.bincount(groups, above)
    both = 2.0 * up * (n - up)
    used = both > 0.0
    if not used.any():
        return None
    one, two = _neighbours(groups)
    inside = used[groups[one]]
    count = int(used.sum() + np.sum((above[one] != above[two]) & inside))
    n, both = n[used], both[used]
    expected = float(np.sum(both / n + 1.0))
    variance = float(np.sum(both * (both - n) / (n * n * np.maximum(n - 1.0, 1.0))))
    if variance <= 0.0:
        return Runs(count, expected, 1.0)
    return Runs(count, expected, 2.0 * float(ndtr(-abs(count - expected) / math.sqrt(variance))))


def _neighbours(groups: Places | Labels) -> tuple[Places, Places]:
    """Return the places of each value and of the next one in its group."""
    order = np.argsort(groups, kind="stable")
    same = groups[order[1:]] == groups[order[:-1]]
    return order[:-1][same], order[1:][same]


def mean_inflation(n: float, process: float) -> float:
    """Return n·var(mean)/σ² of n values of a first-order autoregression; 1 for φ = 0.

    1 + 2·Σ (1 − k/n)·φᵏ over k = 1 … n − 1, in closed form; any text on time series.
    """
    if n <= 1.0 or process == 0.0:
        return 1.0
    rest = process * (1.0 - math.pow(process, n)) / (1.0 - process)
    return 1.0 + 2.0 * (process / (1.0 - process)) * (1.0 - rest / (n * process))


def sd_of_mean(n: float, process: float) -> float:
    """Return √(d/n), the standard deviation of the mean of n values, in units of theirs.

    d is :func:`mean_inflation` (by definition). φ below 0 counts as 0: chance alone must not make
    an interval narrow.
    """
    return math.sqrt(mean_inflation(n, max(0.0, process)) / n)


def variance_left(n: float, process: float) -> float:
    """Return the mean of s² over σ² of n ≥ 2 values about their own mean; 1 if φ = 0.

    (n − d)/(n − 1), d from :func:`mean_inflation` (any text on time series); at least 0.1.
    """
    return max((n - mean_inflation(n, process)) / (n - 1.0), _LEAST_LEFT)


def effective_for_spread(n: float, process: float) -> float:
    """Return how many independent values give a variance as well: n·(1 − φ²)/(1 + φ²).

    Bayley & Hammersley 1946, Supplement to the Journal of the Royal Statistical Society
    8:184-197, from memory.
    """
    return n * (1.0 - process * process) / (1.0 + process * process)


def dof_of_estimated(n: float, process: float) -> float:
    """Return the degrees of freedom of a long-run variance (1 + φ)/(1 − φ)·s², both estimated.

    n·(1 − φ²)/(3 + φ²): s² has a relative variance of 2·(1 + φ²)/((1 − φ²)·n) (Bayley & Hammersley
    1946, as above), φ a variance of (1 − φ²)/n. From memory; checked against known processes in
    ``tests/theory/test_interval_coverage.py``.
    """
    return n * (1.0 - process**2) / (3.0 + process**2)


def tapered(rows: Floats, sd: Floats, groups: Places, process: float) -> Floats:
    """Return rows·V·rowsᵀ, shape (p, p), V the covariance of values whose neighbours correlate.

    ``rows``: weights of the values in p figures, shape (p, n). Values of one group, k places apart,
    correlate by φ^k, ``process`` φ between −1 and 1; others do not. ``sd``, ``groups``: shape (n,).

    With a = rows·sd, V of one group: a·Cᵀaᵀ, C_ij = φ^|i−j|; the lower half by the recursion
    h_i = φ·(h_(i−1) + a_(i−1)) (derived: φ^(i−j) = φ·φ^(i−1−j)).
    """
    order = np.argsort(groups, kind="stable")
    scaled = (rows * sd)[:, order]
    found = scaled @ scaled.T
    if process == 0.0:
        return np.asarray(found)
    from scipy.signal import lfilter

    for part in np.split(scaled, np.flatnonzero(np.diff(groups[order])) + 1, axis=1):
        before = lfilter([0.0, process], [1.0, -process], part, axis=1)
        cross = part @ before.T
        found = found + cross + cross.T
    return np.asarray(found)
