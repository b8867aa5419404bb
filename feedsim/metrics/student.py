"""Student's law: how sure an estimate is whose standard deviation is itself estimated."""

from __future__ import annotations

import math

from feedsim.arrays import Floats
from feedsim.metrics.intervals import Interval, normal_quantile


def student_quantile(dof: float, confidence: float = 0.95) -> float:
    """Return t: a mean lies within ±t of its estimated standard deviations (any text).

    ``dof``: degrees of freedom of these, above 0. ``confidence``: two-sided, so t is the quantile
    (1 + confidence)/2 of Student's law.
    """
    from scipy.special import stdtrit

    return float(stdtrit(dof, (1.0 + confidence) / 2.0))


def student_interval(value: float, sd: float, *, dof: float, confidence: float = 0.95) -> Interval:
    """Return value ± t·sd, t the :func:`student_quantile` (any text)."""
    half = student_quantile(dof, confidence) * sd
    return Interval(value - half, value + half)


def widened(dof: float, confidence: float) -> float:
    """Return t/z: Student's quantile with these degrees of freedom over the normal one.

    Korn and Graubard 1998, as in feedsim/MODEL.md, section 18.
    """
    return student_quantile(dof, confidence) / normal_quantile(confidence)


def standard_error(values: Floats) -> float:
    """Return s/√n, the standard deviation of the mean of n ≥ 2 independent values (any text).

    In their unit, s with the divisor n − 1, the degrees of freedom.
    """
    return float(values.std(ddof=1)) / math.sqrt(len(values))


def jackknife_error(without: Floats) -> float:
    """Return the standard deviation of a figure, by leaving out one of R parts at a time.

    ``without``: the figure without each part, shape (R,), in its unit. √((R − 1)/R·Σ(θ − m)²), θ
    these values and m their mean, with R − 1 degrees of freedom (Tukey 1958, Annals of Mathematical
    Statistics 29:614, from memory).
    """
    off, parts = without - without.mean(), len(without)
    return math.sqrt((parts - 1.0) / parts * float(off @ off))
