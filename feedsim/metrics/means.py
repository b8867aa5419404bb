"""Confidence intervals of estimates from values in time order.

Neighbours in a run are alike (they share a drift, or a tick that beats with the pitch), so the
variance is taken between batches of values; with several runs, between runs, since each run draws
its phases once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.metrics.intervals import Interval, check_confidence
from feedsim.metrics.serial import dof_of_estimated, mean_inflation, process_of
from feedsim.metrics.student import student_interval

FEWEST = 20
"""Fewest values that get an interval: fewer do not show whether neighbours are alike."""
_BATCHES = 20
_ALIKE = 0.84
_MOST_ALIKE, _MOST_OF_FEW = 0.9, 0.95
_DOUBT = 0.5
_LEAST_LEFT = 0.25


class Uncertainty(NamedTuple):
    """Variance of a mean, and its degrees of freedom."""

    variance: float
    freedom: float


class Growth(NamedTuple):
    """How much correlated batches widen the interval of a mean.

    ``factor``: growth of the variance of their mean; ``freedom``: remaining degrees of freedom.
    """

    factor: float
    freedom: float


def mean_interval(
    values: Floats,
    *,
    confidence: float = 0.95,
    resolution: float = 0.0,
    begins: Sequence[int] = (0,),
) -> Interval | None:
    """Return the interval of the mean of finite values in time order, shape (n,), in their unit.

    None below 20 values. ``confidence``: two-sided (raises ValueError if it is not between 0 and
    1). ``resolution``: unit of the values, 0 or more. Values that all lie within it, or within
    floating noise, are one value: the interval then has no width. ``begins``: places at which a run
    begins, rising, the first 0.

    mean ± t((1 + confidence)/2; f)·√v, t the quantile of Student's distribution (any text), v and
    f from :func:`uncertainty`.
    """
    check_confidence(confidence)
    if len(values) < FEWEST:
        return None
    centre = min(max(float(values.mean()), float(values.min())), float(values.max()))
    if one_value(values, resolution=resolution):
        return Interval(centre, centre)
    return batch_interval(centre, values, begins, confidence=confidence)


def batch_interval(
    centre: float, values: Floats, begins: Sequence[int] = (0,), *, confidence: float = 0.95
) -> Interval | None:
    """Return the interval of an estimate that is to first order a mean of values in order.

    centre ± t·√v (MODEL.md, section 18). ``values``: contributions up to a constant, in time order,
    shape (n,). Others, and returns: as in :func:`mean_interval`.
    """
    if len(values) < FEWEST:
        return None
    known = uncertainty(values, begins)
    sd = math.sqrt(known.variance)
    return student_interval(centre, sd, dof=known.freedom, confidence=confidence)


def uncertainty(values: Floats, begins: Sequence[int] = (0,)) -> Uncertainty:
    """Return the uncertainty of the mean of two or more values in time order, shape (n,).

    One run: the b batch means of :func:`batches_of`, s² their variance, give s²/b with b − 1
    degrees of freedom, widened if batch means correlate (:func:`growth`). At most 19 values at the
    front are left out. Several runs: each is a batch (the method of independent replications).
    Schmeiser 1982, Operations Research 30:556-568, on few and long batches; Law & Kelton,
    Simulation Modeling and Analysis, the chapter on output analysis (both from memory).
    """
    batches = batches_of(len(values), begins)
    b, several = len(batches), len(_runs(len(values), begins)) > 1
    # batches of one run are equally long; a mean by rows has the same bits as one by batches
    parts = (
        np.array([values[batch].mean() for batch in batches])
        if several
        else values[batches[0].start :].reshape(b, -1).mean(axis=1)
    )
    away = parts - parts.mean()
    whole = float(away @ away)
    variance = whole / (b - 1) / b
    if several or whole <= 0.0:
        return Uncertainty(variance, b - 1.0)
    more = growth(float(away[1:] @ away[:-1]) / whole, [b], doubt=doubt_of(len(values)))
    return Uncertainty(more.factor * variance, more.freedom)


def doubt_of(n: int) -> float:
    """Return how many standard errors to add to φ of n values in one run.

    Common practice, no source (feedsim/MODEL.md, section 18). 20 to 39 values, each a batch,
    underestimate a large φ: at φ = 0.9 half a standard error raises the coverage from 87 to 90 % to
    93 to 95 % (found by simulation).
    """
    return 0.0 if n >= 2 * _BATCHES else _DOUBT


def growth(alike: float, batches: Sequence[int], *, doubt: float = 0.0) -> Growth:
    """Return how much correlated batch means enlarge the variance of their mean.

    ``alike``: correlation r of neighbouring batch means, of all runs together. ``batches``: number
    of each independent run, at least 20; their mean is b. ``doubt``: standard errors 1/√(all
    batches) to add to r.

    Batches that are too short still correlate; they are modelled as a first-order autoregression
    φ (:func:`feedsim.metrics.serial.process_of`), at most 0.9. It counts if r + 1/b lies 0.84
    standard errors 1/√(all batches) above 0 (20 %, one-sided): a stricter test would cost coverage,
    a looser one would widen intervals by chance.

    With d the variance of a mean of b over that of independent ones
    (:func:`feedsim.metrics.serial.mean_inflation`), s² falls short by (b − d)/(b − 1): the
    factor is d·(b − 1)/(b − d) (derived). Degrees of freedom: those of a long-run variance
    (1 + φ)/(1 − φ)·σ² with both factors estimated
    (:func:`feedsim.metrics.serial.dof_of_estimated`). From memory.
    """
    every = sum(batches)
    b = every / len(batches)
    if (alike + 1.0 / b) * math.sqrt(every) <= _ALIKE:
        return Growth(1.0, float(every - len(batches)))
    found = process_of(alike, 1.0 / b, more=doubt / math.sqrt(every))
    process = min(_MOST_ALIKE if doubt == 0.0 else _MOST_OF_FEW, found)
    d = mean_inflation(b, process)
    factor = d * (b - 1.0) / max(b - d, _LEAST_LEFT * b)
    return Growth(factor, dof_of_estimated(every, process))


def one_value(values: Floats, *, resolution: float) -> bool:
    """Return whether all values, one or more, lie within the resolution or floating noise."""
    lowest, highest = float(values.min()), float(values.max())
    noise = 8.0 * float(np.spacing(max(abs(lowest), abs(highest))))
    return highest - lowest <= max(resolution, noise)


def batches_of(n: int, begins: Sequence[int] = (0,)) -> list[slice]:
    """Cut n values in a row into batches whose means count as independent.

    The runs that begin at some of them, if there are several with a value; else 20 of equal length
    that end with the last value, or each value alone, below 40.
    """
    runs = _runs(n, begins)
    if len(runs) > 1:
        return runs
    size = n // _BATCHES if n >= 2 * _BATCHES else 1
    count = _BATCHES if n >= 2 * _BATCHES else n
    return [slice(n - size * k, n - size * (k - 1)) for k in range(count, 0, -1)]


def _runs(n: int, begins: Sequence[int]) -> list[slice]:
    return [slice(a, b) for a, b in zip(begins, [*begins[1:], n], strict=True) if a < b]
