"""Intervals of standard deviation, Cp and Cpk."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.metrics.capability import Capability
from feedsim.metrics.course import (
    ONE_RUN,
    Course,
    numbered,
    per_stratum,
    squares_per_stratum,
)
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import FEWEST, doubt_of, one_value, uncertainty
from feedsim.metrics.sample_sizes import spread_interval
from feedsim.metrics.serial import effective_for_spread, lag_one
from feedsim.metrics.spread import squares, sum_of_products
from feedsim.records.stored import AT_ONCE

_ALIKE, _MOST_ALIKE = 0.4, 0.95
_LEAST_LEFT = 0.25
_MOST_FREEDOM = 1e9


class CapabilityIntervals(NamedTuple):
    """95 % intervals of Cp and of Cpk."""

    cp: Interval
    cpk: Interval


class ByRun(NamedTuple):
    """Values less the mean of their run, shape (n,), and means of R runs less that of all.

    ``means``: shape (R,). ``between``: the part of the variance between runs.
    """

    inside: Floats
    means: Floats
    between: float


def sd_interval(
    values: Floats, *, resolution: float = 0.0, course: Course = ONE_RUN
) -> Interval | None:
    """Return the 95 % interval of the standard deviation of values in time order, in their unit.

    They are finite, shape (n,); None below 20. ``resolution``: those that all lie within it are one
    value. ``course``: how the values are divided into runs and strata.

    A plain chi-squared interval assumes independent, normal values. This one has f ≥ 1 effective
    degrees of freedom, s·√(f/χ²). f = 2/(v·(t/z)²), v the variance of the mean of ((x − m)/s)²
    (:func:`feedsim.metrics.means.uncertainty`; independent normal values have 2/(n − 1)), widened
    by (t/z)² since v is estimated (Satterthwaite 1946, Biometrics Bulletin 2:110-114; Korn &
    Graubard 1998). In one run whose neighbours correlate by φ, f is at most n·(1 − φ²)/(1 + φ²)
    (Bayley & Hammersley 1946); with strata about the means of these, whose W is the less certain
    part of s², times (s²/W)². Subtracting the mean removes a share v_m/s² of the squares, v_m its
    variance, 1/n if values are independent: the upper end is that of s²/(1 − v_m/s² + 1/n). That
    square varies too: v is at least 2·(u/s²)², u the part of v_m by how many values each stratum
    has (of a normal variate; any text).

    Several runs: s² = W + B, within R runs (about each run's own mean) and between them. With l, u
    the ends of W, and of B with R − 1 degrees of freedom, u_B times R/(R − 1), s² reaches down by
    √((W − l_W)² + (B − l_B)²) and up by √((u_W − W)² + (u_B − B)²) (Graybill & Wang 1980, Journal
    of the American Statistical Association 75:869-873). All from memory.
    """
    n = len(values)
    if n < FEWEST:
        return None
    if one_value(values, resolution=resolution):
        return Interval(0.0, 0.0)
    square, split = squares(values) / (n - 1), by_run(values, course)
    runs, between = len(split.means), split.between
    off, process, unplanned = split.inside, 0.0, 1.0
    if runs == 1:
        process, unplanned = _alone(values, off, course)
    off = np.multiply(off, off, out=off)  # in place: few columns of a long run fit in memory
    within = float(np.mean(off))
    freedom = _MOST_FREEDOM
    if within > 0.0:
        known = uncertainty(np.divide(off, within, out=off), course)
        curved = 2.0 * (course.by_size(values) / square) ** 2
        variance = known._replace(variance=max(known.variance, curved)).widened
        freedom = min(freedom, 2.0 / variance) if variance > 0.0 else freedom
    if runs == 1:
        if process:
            freedom = min(freedom, effective_for_spread(float(n), process) / unplanned**2)
        lost = max(0.0, uncertainty(values, course).variance / square - 1.0 / n)
        part = spread_interval(max(freedom, 1.0) + 1.0)
        more = 1.0 / math.sqrt(max(1.0 - lost, _LEAST_LEFT))
        return Interval(math.sqrt(square) * part.low, math.sqrt(square) * part.high * more)
    part, apart = spread_interval(max(freedom, 1.0) + 1.0), spread_interval(runs)
    most = apart.high**2 * runs / (runs - 1.0)
    low = math.hypot(within * (1.0 - part.low**2), between * (1.0 - apart.low**2))
    high = math.hypot(within * (part.high**2 - 1.0), between * (most - 1.0))
    return Interval(math.sqrt(max(0.0, square - low)), math.sqrt(square + high))


def by_run(values: Floats, course: Course) -> ByRun:
    """Split values into parts within and between runs."""
    off = values - values.mean()
    runs = course.runs(len(values))
    if len(runs) == 1:
        return ByRun(off, np.zeros(1), 0.0)
    means = np.array([off[run].mean() for run in runs])
    sizes = np.array([run.stop - run.start for run in runs])
    return ByRun(off - np.repeat(means, sizes), means, float(sizes @ means**2) / len(values))


def _alone(values: Floats, off: Floats, course: Course) -> tuple[float, float]:
    """Return φ of one run's neighbours, and W/s², the part of s² within strata (by definition).

    ``off``: values less their mean.
    """
    alone = off if course.strata is None else course.residuals(values)
    process, unplanned = neighbours(alone, course), 1.0
    if alone is not off:
        unplanned = sum_of_products(alone, alone) / sum_of_products(off, off)
    if process:
        process = min(max(_MOST_ALIKE, process), process + doubt_of_few(len(values)))
    return process, unplanned


def neighbours(off: Floats, course: Course) -> float:
    """Return the correlation of neighbours in one run; 0 if it is negative or may be chance.

    ``off``: :meth:`feedsim.metrics.course.Course.residuals` of the values.
    """
    lag = lag_one(off, None if course.strata is None else numbered(course.strata))
    return 0.0 if lag is None or lag.chance > _ALIKE else max(0.0, lag.process)


def doubt_of_few(n: int) -> float:
    """Return the allowance on φ for a spread of few values: one standard error.

    Twice that of a mean, since squares carry less information (found by simulation: coverage of Cp
    of 20 values of φ = 0.9 from 90.8 to 93.1 %, of paired differences from 86 to 92 %).
    """
    return 2.0 * doubt_of(n) / math.sqrt(n)


def correlation(one: Floats, two: Floats) -> float:
    """Return the correlation of two columns of mean 0; 0 if one is all zeros."""
    return _ratio(sum_of_products(one, two), sum_of_products(one, one) * sum_of_products(two, two))


def _ratio(products: float, squares: float) -> float:
    """Return Σxy/√(Σx²·Σy²), a correlation (any textbook); ``squares``: what is under the root."""
    return products / math.sqrt(squares) if squares else 0.0


def _of_mean_and_sd(values: Floats, mean: float, course: Course) -> float:
    """Return the correlation of deviations from the mean and their squares, within strata.

    Added in parts, to save memory.
    """
    labels = None if course.strata is None else numbered(course.strata)
    off_by, squares_by, one = np.zeros(1), np.array([squares(values) / len(values)]), 0.0
    if labels is not None:
        n = per_stratum(labels)
        off_by = per_stratum(labels, values) / n - mean
        squares_by = squares_per_stratum(values, labels, np.full(len(n), mean)) / n
    both = two = 0.0
    for i in range(0, len(values), AT_ONCE):
        some = 0 if labels is None else labels[i : i + AT_ONCE]
        off = values[i : i + AT_ONCE] - mean
        square = off * off - squares_by[some]
        off -= off_by[some]
        both += sum_of_products(off, square)
        one += 0.0 if labels is None else sum_of_products(off, off)
        two += sum_of_products(square, square)
    one = float(squares_by[0]) * len(values) if labels is None else one
    return _ratio(both, one * two)


def capability_intervals(
    values: Floats,
    fit: Capability,
    *,
    tolerance: float,
    mean: Interval | None,
    sd: Interval | None,
    course: Course = ONE_RUN,
) -> CapabilityIntervals | None:
    """Return the 95 % intervals of Cp and Cpk against a tolerance either side of 0.

    ``values``: in time order, finite, shape (n,), divided by ``course``; ``fit`` is theirs, the
    tolerance in their unit.
    ``mean``, ``sd``: of :func:`feedsim.metrics.means.mean_interval` and of :func:`sd_interval`;
    None if one of them is, or if the values do not spread.

    Cp is tolerance/3s, so its ends are the inverted ends of s. Cpk = (tolerance − |m|)/3s: with d
    the half-width of the interval of m over 3s, and e the change of Cpk with s at the end of its
    interval on that side, each end lies √(d² + e² + 2·r·d·e) off Cpk, r the correlation of a
    value's influences on Cpk through m and through s (the method of variance estimates recovery:
    Zou & Donner 2008, Statistics in Medicine 27:1693-1702; with a correlation Zou 2007,
    Psychological Methods 12:399-413; from memory).
    """
    if sd is None or mean is None or sd.low == 0.0:
        return None
    s, m = math.sqrt(squares(values) / (len(values) - 1)), float(values.mean())
    cp = Interval(tolerance / (3.0 * sd.high), tolerance / (3.0 * sd.low))
    by_mean = (mean.high - m) / (3.0 * s)
    ends = sorted(fit.cpk * s / end for end in sd)
    alike = _of_mean_and_sd(values, m, course)
    alike *= math.copysign(1.0, m) * math.copysign(1.0, fit.cpk)

    def off(by_sd: float) -> float:
        return math.sqrt(max(0.0, by_mean**2 + by_sd**2 + 2.0 * alike * by_mean * by_sd))

    cpk = Interval(fit.cpk - off(fit.cpk - ends[0]), fit.cpk + off(ends[1] - fit.cpk))
    return CapabilityIntervals(cp, cpk)
