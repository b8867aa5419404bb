"""Intervals of what a spread is made of: standard deviation, Cp and Cpk."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.capability import Capability
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import batch_interval, one_value

__all__ = ["FEWEST", "CapabilityIntervals", "capability_intervals", "influence", "sd_interval"]

Floats = NDArray[np.float64]
FEWEST = 20
"""Values from which on a spread is told with an interval: first order does not do below."""


class CapabilityIntervals(NamedTuple):
    """95 % intervals of Cp and of Cpk."""

    cp: Interval
    cpk: Interval


def influence(values: Floats, sd: float | None) -> Floats:
    """Return what each value adds to the standard deviation, to first order.

    w = ((x − m)²/s − s)/2, the influence function of a standard deviation s about the mean m
    (Hampel and others, Robust Statistics, 1986, from memory); 0 where s is 0. A mean that walks
    is thereby taken for the spread that it is.
    """
    if not sd:
        return np.zeros(len(values))
    found: Floats = 0.5 * ((values - values.mean()) ** 2 / sd - sd)
    return found


def sd_interval(
    values: Floats, *, resolution: float = 0.0, begins: Sequence[int] = (0,)
) -> Interval | None:
    """Return the 95 % interval of the standard deviation of values in time order.

    A chi-squared interval would take the values for independent and normal.

    Parameters
    ----------
    values : float64 array, shape (n,)
        Finite.
    resolution : float
        Unit of the values: all that lie within it are one value.
    begins : sequence of int
        Places at which a run begins.

    Returns
    -------
    Interval or None
        Unit of the values; None below 20 values.

    Notes
    -----
    With h the half-width of the interval of the mean of :func:`influence`
    (:func:`feedsim.metrics.means.batch_interval`), s·exp(±h/s): taken for the logarithm (delta
    method), whose distribution is the less skewed one.
    """
    if len(values) < FEWEST:
        return None
    if one_value(values, resolution=resolution):
        return Interval(0.0, 0.0)
    sd = float(values.std(ddof=1))
    found = batch_interval(0.0, influence(values, sd), begins)
    if found is None:
        return None
    wide = math.exp(min(found.high / sd, 700.0))
    return Interval(sd / wide, sd * wide)


def capability_intervals(
    values: Floats,
    fit: Capability,
    *,
    tolerance: float,
    resolution: float = 0.0,
    begins: Sequence[int] = (0,),
) -> CapabilityIntervals | None:
    """Return the 95 % intervals of Cp and Cpk against a tolerance either side of 0.

    Parameters
    ----------
    values : float64 array, shape (n,)
        In time order, finite.
    fit : Capability
        Of these values.
    tolerance : float
        Unit of the values, above 0.
    resolution, begins
        As in :func:`sd_interval`.

    Returns
    -------
    CapabilityIntervals or None
        None where :func:`sd_interval` is, or nothing spreads.

    Notes
    -----
    Cp is tolerance/3s, so its ends are those of s turned over. Cpk = (tolerance − |m|)/3s changes
    by −sign(m)·(x − m)/3s − Cpk·w/s with each value x, w its influence on s; its interval is that
    of the mean of these about Cpk.
    """
    spread = sd_interval(values, resolution=resolution, begins=begins)
    if spread is None or spread.low == 0.0:
        return None
    sd, mean = float(values.std(ddof=1)), float(values.mean())
    each = -math.copysign(1.0, mean) * (values - mean) / (3.0 * sd)
    each -= fit.cpk / sd * influence(values, sd)
    cpk = batch_interval(fit.cpk, each, begins)
    if cpk is None:
        return None
    cp = Interval(tolerance / (3.0 * spread.high), tolerance / (3.0 * spread.low))
    return CapabilityIntervals(cp, cpk)
