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
from feedsim.metrics.course import BATCHES, ONE_RUN, Course, batches_of
from feedsim.metrics.intervals import Interval, check_confidence
from feedsim.metrics.serial import dof_of_estimated, mean_inflation, process_of
from feedsim.metrics.student import student_interval, widened

FEWEST = 20
"""Fewest values that get an interval: fewer do not show whether neighbours are alike."""
_ALIKE = 0.84
_MOST_ALIKE, _MOST_OF_FEW = 0.9, 0.95
_DOUBT = 0.5
_LEAST_LEFT = 0.25


class Uncertainty(NamedTuple):
    """Variance of a mean, and its degrees of freedom."""

    variance: float
    freedom: float

    @property
    def widened(self) -> float:
        """The variance that known ones would need for the same interval of 95 %."""
        return self.variance * widened(self.freedom, 0.95) ** 2


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
    course: Course = ONE_RUN,
) -> Interval | None:
    """Return the interval of the mean of finite values in time order, shape (n,), in their unit.

    None below 20 values. ``confidence``: two-sided (raises ValueError if it is not between 0 and
    1). ``resolution``: unit of the values, 0 or more. Values that all lie within it, or within
    floating noise, are one value: the interval then has no width. ``course``: how the values are
    divided into runs and strata.

    mean ± t((1 + confidence)/2; f)·√v, t the quantile of Student's distribution (any text), v and
    f from :func:`uncertainty`.
    """
    check_confidence(confidence)
    if len(values) < FEWEST:
        return None
    centre = min(max(float(values.mean()), float(values.min())), float(values.max()))
    if one_value(values, resolution=resolution):
        return Interval(centre, centre)
    return batch_interval(centre, values, course, confidence=confidence)


def batch_interval(
    centre: float, values: Floats, course: Course = ONE_RUN, *, confidence: float = 0.95
) -> Interval | None:
    """Return the interval of an estimate that is to first order a mean of values in order.

    centre ± t·√v (MODEL.md, section 18). ``values``: contributions up to a constant, in time order,
    shape (n,). Others, and returns: as in :func:`mean_interval`.
    """
    if len(values) < FEWEST:
        return None
    known = uncertainty(values, course)
    sd = math.sqrt(known.variance)
    return student_interval(centre, sd, dof=known.freedom, confidence=confidence)


def uncertainty(values: Floats, course: Course = ONE_RUN) -> Uncertainty:
    """Return the uncertainty of the mean of two or more values in time order, shape (n,).

    One run: the b batch means of :func:`feedsim.metrics.course.batches_of`, s² their variance, give
    s²/b with b − 1 degrees of freedom, widened if batch means correlate (:func:`growth`). Fewer
    than b values at the front are left out. With strata each batch mean counts from its
    expectation, the means of the strata in it, L degrees of freedom are lost, and no more count
    than those of the strata; how many values these have adds a variance
    (:meth:`feedsim.metrics.course.Course.by_size`). Several runs: each is a batch (the method of
    independent replications), unless the sizes of strata make more of it: a few runs may all lack
    the stop that others have. Schmeiser 1982, Operations Research 30:556-568, on few and long
    batches; Law & Kelton, Simulation Modeling and Analysis, the chapter on output analysis (both
    from memory).
    """
    runs = course.runs(len(values))
    if len(runs) > 1:
        parts = np.array([values[run].mean() for run in runs])
        away = parts - parts.mean()
        freedom = len(parts) - 1.0
        between = Uncertainty(float(away @ away) / freedom / len(parts), freedom)
        sizes = Uncertainty(course.by_size(values), BATCHES - 1.0)
        return max(between, sizes, key=lambda each: each.widened)
    cut = batches_of(values, course.strata)
    b, inside = cut.number, values[cut.first :]
    # batches are equally long; a mean by rows has the same bits as one by batches
    parts = inside.reshape(b, -1).mean(axis=1)
    expected = parts.mean() if cut.strata is None else cut.strata.expected(inside) / cut.size
    away = parts - expected
    whole = float(away @ away)
    variance, by_size = whole / (b - cut.lost) / b, course.by_size(values)
    if whole <= 0.0:
        return Uncertainty(by_size, b - cut.lost)
    alike, doubt = float(away[1:] @ away[:-1]) / whole, doubt_of(len(values))
    more = growth(alike, [b], doubt=doubt, lost=cut.lost)
    unequal = math.inf if cut.strata is None else cut.strata.freedom
    return Uncertainty(more.factor * variance + by_size, min(more.freedom, unequal))


def doubt_of(n: int) -> float:
    """Return how many standard errors to add to φ of n values in one run.

    Common practice, no source (feedsim/MODEL.md, section 18). 20 to 39 values, each a batch,
    underestimate a large φ: at φ = 0.9 half a standard error raises the coverage from 87 to 90 % to
    93 to 95 % (found by simulation).
    """
    return 0.0 if n >= 2 * BATCHES else _DOUBT


def growth(
    alike: float, batches: Sequence[int], *, doubt: float = 0.0, lost: float = 1.0
) -> Growth:
    """Return how much correlated batch means enlarge the variance of their mean.

    ``alike``: correlation r of neighbouring batch means, of all runs together. ``batches``: number
    of each independent run, at least 20; their mean is b. ``doubt``: standard errors 1/√(all
    batches) to add to r. ``lost``: degrees of freedom L that a run's batches lose to means.

    Batches that are too short still correlate; they are modelled as a first-order autoregression
    φ (:func:`feedsim.metrics.serial.process_of`), at most 0.9. It counts if r + L/b lies 0.84
    standard errors 1/√(all batches) above 0 (20 %, one-sided): a stricter test would cost coverage,
    a looser one would widen intervals by chance.

    With d the variance of a mean of b over that of independent ones
    (:func:`feedsim.metrics.serial.mean_inflation`), s² falls short by (b − d)/(b − 1): the factor
    is d·(b − 1)/(b − d) (derived). Degrees of freedom: those of a long-run variance
    (1 + φ)/(1 − φ)·σ² with both factors estimated
    (:func:`feedsim.metrics.serial.dof_of_estimated`). From memory.
    """
    every = sum(batches)
    b = every / len(batches)
    if (alike + lost / b) * math.sqrt(every) <= _ALIKE:
        return Growth(1.0, float(every - lost * len(batches)))
    found = process_of(alike + (lost - 1.0) / b, 1.0 / b, more=doubt / math.sqrt(every))
    process = min(_MOST_ALIKE if doubt == 0.0 else _MOST_OF_FEW, found)
    d = mean_inflation(b, process)
    factor = d * (b - 1.0) / max(b - d, _LEAST_LEFT * b)
    return Growth(factor, dof_of_estimated(every, process))


def one_value(values: Floats, *, resolution: float) -> bool:
    """Return whether all values, one or more, lie within the resolution or floating noise."""
    lowest, highest = float(values.min()), float(values.max())
    noise = 8.0 * float(np.spacing(max(abs(lowest), abs(highest))))
    return highest - lowest <= max(resolution, noise)
