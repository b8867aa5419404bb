"""The interval of the difference of two setups' spreads, with common random numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from feedsim.arrays import Floats
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.fits import weighted_fit
from feedsim.metrics.intervals import Interval, difference_interval
from feedsim.metrics.means import FEWEST, uncertainty
from feedsim.metrics.sample_sizes import spread_interval
from feedsim.metrics.spread import sum_of_products
from feedsim.metrics.spread_intervals import (
    ByRun,
    by_run,
    correlation,
    doubt_of_few,
    neighbours,
    sd_interval,
)
from feedsim.metrics.student import student_quantile

_MOST_LOG = 100.0
_MOST_ALIKE = 0.95


def sd_difference_interval(
    first: Floats, other: Floats, *, course: Course = ONE_RUN
) -> Interval | None:
    """Return the 95 % interval of (sd of the other) − (sd of the first), in the unit of the values.

    The values are of the same carriers, finite, in time order, shape (n,); None below 20 pairs.
    ``course``: how they are divided into runs and strata.

    With L = ln(s₂/s₁) and g = √(s₁·s₂), s₂ − s₁ = 2g·sinh(L/2). To first order L and ln g are
    means of w₂ − w₁ and (w₁ + w₂)/2, w = (x − m)²/2s² up to a constant (the influence on ln s:
    Hampel and others, Robust Statistics, 1986, from memory), known to ±h and ±k. So an end lies
    √(d² + e² + 2·r·d·e) off, d = 2g·|sinh((L ± h)/2) − sinh(L/2)|, e = (s₂ − s₁)·k, r the
    correlation of the two: as Cpk in :func:`feedsim.metrics.spread_intervals.capability_intervals`.
    What both share cancels, and the ends are skewed like those of a spread.

    Several runs: m is the mean of each run, and the uncertainty of the difference of the variances
    between runs (:func:`_between`) over s₁ + s₂ is added, in squares (Graybill & Wang 1980). Two
    runs do not show how alike their means are, so nothing cancels.
    """
    if len(first) < FEWEST:
        return None
    s1, s2 = float(first.std(ddof=1)), float(other.std(ddof=1))
    if s1 == 0.0 or s2 == 0.0:
        whole = sd_interval(other - first, course=course)
        return whole if s1 == 0.0 or whole is None else Interval(-whole.high, -whole.low)
    one, two = by_run(first, course), by_run(other, course)
    if len(one.means) == 2:
        alone = [sd_interval(each, course=course) for each in (first, other)]
        return unpaired_sd_difference((s1, s2), alone)
    w1, w2 = 0.5 * (one.inside / s1) ** 2, 0.5 * (two.inside / s2) ** 2
    ratio, size = w2 - w1, 0.5 * (w1 + w2)
    h, e = _half(ratio, course), (s2 - s1) * _half(size, course)
    alike = correlation(course.residuals(ratio), course.residuals(size))
    log = math.log(s2 / s1)
    ends = []
    for sign, between in zip((-1.0, 1.0), _between(one, two), strict=True):
        turned = math.sinh(0.5 * (log + sign * min(h, _MOST_LOG))) - math.sinh(0.5 * log)
        d = 2.0 * math.sqrt(s1 * s2) * abs(turned)
        square = max(0.0, d * d + e * e + 2.0 * alike * d * e) + (between / (s1 + s2)) ** 2
        ends.append(s2 - s1 + sign * math.sqrt(square))
    return Interval(*ends)


def unpaired_sd_difference(
    sds: tuple[float, float], alone: Sequence[Interval | None]
) -> Interval | None:
    """Return the interval of s₂ − s₁ from the independent intervals of both."""
    first, other = alone
    if first is None or other is None:
        return None
    return difference_interval(sds[0], first, sds[1], other)


def _half(each: Floats, course: Course) -> float:
    """Return the half-width of the 95 % interval of a logarithm that is a mean of influences.

    Student's t times the root of their :func:`feedsim.metrics.means.uncertainty`. In one run with
    correlated neighbours that of a first-order autoregression, with its effective number of values
    less 1 as degrees of freedom, if that is wider.
    """
    known, n = uncertainty(each, course), len(each)
    half = student_quantile(known.freedom) * math.sqrt(known.variance)
    off, one = course.residuals(each), len(course.begins) == 1
    process = min(_MOST_ALIKE, neighbours(off, course) + doubt_of_few(n)) if one else 0.0
    if not process:
        return half
    worth = n * (1.0 - process) / (1.0 + process)
    plain = math.sqrt(sum_of_products(off, off) / n / worth)
    return max(half, student_quantile(max(1.0, worth - 1.0)) * plain)


def _between(one: ByRun, two: ByRun) -> tuple[float, float]:
    """Return how much lower and higher the difference of variances between R ≥ 3 runs may be.

    B₂ − B₁ is the covariance of sum and difference of a run's means (Pitman 1939 and Morgan 1939,
    Biometrika 31:9-12, 13-19, from memory), so b·V: b the slope of the differences on the sums,
    Student's t with R − 2 degrees of freedom, V the variance of the sums, χ² with R − 1.
    """
    runs = len(one.means)
    sums, differences = one.means + two.means, two.means - one.means
    spread = float(np.mean(sums**2))
    if runs == 1 or spread == 0.0:
        return 0.0, 0.0
    fit = weighted_fit(sums[:, None], differences)
    slope = float(fit.coefficients[0])
    residual = float(np.sum(fit.residuals**2)) / (runs - 2.0)
    by_slope = student_quantile(runs - 2.0) * math.sqrt(residual * spread / runs)
    part = spread_interval(runs)
    ends = (1.0 - part.low**2, part.high**2 * runs / (runs - 1.0) - 1.0)
    less, more = (abs(slope) * spread * end for end in (ends if slope >= 0.0 else ends[::-1]))
    return math.hypot(by_slope, less), math.hypot(by_slope, more)
