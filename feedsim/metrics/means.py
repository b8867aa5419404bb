"""Confidence intervals of what is estimated from values in the order in which they came.

Neighbours in a run are alike (they share a drift, a tick that beats with the pitch), so the
spread is not taken between values but between batches of them; and since phases are drawn
once a run, between runs where there are several.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.intervals import Interval

__all__ = ["batch_interval", "batches_of", "mean_interval", "one_value", "stretch", "student"]

Floats = NDArray[np.float64]
_BATCHES = 20
_ALIKE = 1.28
_MOST_ALIKE = 0.8


def mean_interval(
    values: Floats,
    *,
    confidence: float = 0.95,
    resolution: float = 0.0,
    begins: Sequence[int] = (0,),
) -> Interval | None:
    """Return the interval of the mean of values in the order in which they came.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In time order, finite.
    confidence : float
        Two-sided, 0…1.
    resolution : float
        Unit of the values, 0 or more. Values that all lie within it are one value: the
        interval then has no width. Floating noise of the values' own size is always
        taken so.
    begins : sequence of int
        Places at which a run begins, rising, the first 0.

    Returns
    -------
    Interval or None
        Unit of the values; None for fewer than two values.

    Raises
    ------
    ValueError
        If confidence is not between 0 and 1.

    Notes
    -----
    One run, from 40 values on: batch means, b = 20 batches of ⌊n/20⌋ values in a row, sd s of
    their means, t the quantile of Student's distribution with b − 1 = 19 degrees of
    freedom ::

        mean ± t((1 + confidence)/2; b − 1)·s/√b

    The remainder, at most 19 values at the front, is left out of s; the centre is the
    mean of all values. Where batches are too short, s² grows (:func:`stretch`). Several runs: each
    is a batch (the method of independent replications). Source of both: Law & Kelton, Simulation
    Modeling and Analysis, the chapter on output analysis (from memory).

    One run below 40 values: each is a batch of its own (b = n), the plain Student interval,
    which **assumes that the values are independent**.
    """
    _check(confidence)
    if len(values) < 2:
        return None
    centre = min(max(float(values.mean()), float(values.min())), float(values.max()))
    if one_value(values, resolution=resolution):
        return Interval(centre, centre)
    return batch_interval(centre, values, begins, confidence=confidence)


def batch_interval(
    centre: float, values: Floats, begins: Sequence[int] = (0,), *, confidence: float = 0.95
) -> Interval | None:
    """Return the interval of an estimate that is, to first order, a mean of values in order.

    Parameters
    ----------
    centre : float
        The estimate.
    values : float64 array, shape (n,)
        What each adds to it, in time order, but for a constant.
    begins : sequence of int
        As in :func:`mean_interval`.
    confidence : float
        Two-sided, 0…1.

    Returns
    -------
    Interval or None
        As :func:`student` of the batch means, stretched where batches are too short; None for
        fewer than two values.
    """
    batches = batches_of(len(values), begins)
    parts = np.array([values[batch].mean() for batch in batches])
    found = student(centre, parts, confidence=confidence)
    if found is None or len(batches) != _BATCHES or len(_runs(len(values), begins)) > 1:
        return found
    away = parts - parts.mean()
    whole = float(away @ away)
    longer = math.sqrt(stretch(float(away[1:] @ away[:-1]) / whole, _BATCHES - 1)) if whole else 1.0
    return Interval(centre - longer * (centre - found.low), centre + longer * (found.high - centre))


def stretch(alike: float, freedom: int) -> float:
    """Return what the variance of a mean is to be multiplied by where batch means are alike.

    Parameters
    ----------
    alike : float
        Correlation r of neighbouring batch means.
    freedom : int
        Degrees of freedom of their variance.

    Notes
    -----
    Where r is above 0, sure at 90 % (r·√freedom > 1.28), batches are too short: (1 + r)/(1 − r),
    that of a first-order autoregression, r at most 0.8; else 1. Law, Simulation Modeling and
    Analysis, on the choice of the batch size (from memory).
    """
    if alike * math.sqrt(freedom) <= _ALIKE:
        return 1.0
    alike = min(alike, _MOST_ALIKE)
    return (1.0 + alike) / (1.0 - alike)


def one_value(values: Floats, *, resolution: float) -> bool:
    """Tell whether all values lie within the resolution, or within floating noise.

    Parameters
    ----------
    values : float64 array, shape (n,), n ≥ 1
    resolution : float
        Unit of the values.
    """
    lowest, highest = float(values.min()), float(values.max())
    noise = 8.0 * float(np.spacing(max(abs(lowest), abs(highest))))
    return highest - lowest <= max(resolution, noise)


def batches_of(n: int, begins: Sequence[int] = (0,)) -> list[slice]:
    """Cut n values in a row into batches whose means count as independent.

    Parameters
    ----------
    n : int
    begins : sequence of int
        As in :func:`mean_interval`. Runs without a value make no batch.

    Returns
    -------
    list of slice
        The runs, where there are several; else 20 of equal length that end with the last
        value; or each value, below 40.
    """
    runs = _runs(n, begins)
    if len(runs) > 1:
        return runs
    size = n // _BATCHES if n >= 2 * _BATCHES else 1
    count = _BATCHES if n >= 2 * _BATCHES else n
    return [slice(n - size * k, n - size * (k - 1)) for k in range(count, 0, -1)]


def _runs(n: int, begins: Sequence[int]) -> list[slice]:
    return [slice(a, b) for a, b in zip(begins, [*begins[1:], n], strict=True) if a < b]


def student(
    centre: float, parts: Sequence[float] | Floats, *, confidence: float = 0.95
) -> Interval | None:
    """Return centre ± t·s/√b, s the standard deviation of the b parts.

    Parameters
    ----------
    centre : float
        The estimate from all values together.
    parts : sequence of float
        The same estimated from each batch alone.
    confidence : float
        Two-sided, 0…1.

    Returns
    -------
    Interval or None
        None for fewer than two parts.

    Raises
    ------
    ValueError
        If confidence is not between 0 and 1.
    """
    _check(confidence)
    b = len(parts)
    if b < 2:
        return None
    from scipy.special import stdtrit

    t = float(stdtrit(b - 1, (1.0 + confidence) / 2.0))
    half = t * float(np.std(parts, ddof=1)) / math.sqrt(b)
    return Interval(centre - half, centre + half)


def _check(confidence: float) -> None:
    if not 0.0 < confidence < 1.0:
        msg = f"confidence must lie between 0 and 1, not {confidence}"
        raise ValueError(msg)
