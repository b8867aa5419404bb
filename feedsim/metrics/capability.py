"""Process capability: how well a spread fits between two limits."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import NamedTuple

from feedsim.metrics.intervals import Interval

__all__ = ["Capability", "capability", "cpk_interval"]


class Capability(NamedTuple):
    """Cp (spread alone) and Cpk (with the mean where it is), both without a unit."""

    cp: float
    cpk: float


def capability(mean: float, sd: float, *, lower: float, upper: float) -> Capability | None:
    """Return Cp and Cpk.

    Parameters
    ----------
    mean, sd : float
        Of what is made.
    lower, upper : float
        Limits that it must keep, lower < upper, in the same unit.

    Returns
    -------
    Capability or None
        Cp = (upper − lower)/6sd and Cpk = min(upper − mean, mean − lower)/3sd (below 0
        where the mean is outside); None where sd is 0, since neither then has a value.

    Raises
    ------
    ValueError
        If the limits are not in order or sd is below 0.

    Notes
    -----
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6.

    Examples
    --------
    >>> capability(16.0, 2.0, lower=8.0, upper=20.0).cp
    1.0
    """
    if not lower < upper or sd < 0.0:
        msg = f"need lower < upper and sd ≥ 0, not {lower}, {upper} and {sd}"
        raise ValueError(msg)
    if sd == 0.0:
        return None
    return Capability(
        cp=(upper - lower) / (6.0 * sd), cpk=min(upper - mean, mean - lower) / (3.0 * sd)
    )


def cpk_interval(cpk: float, n: int, *, confidence: float = 0.95) -> Interval | None:
    """Return the two-sided interval of a Cpk estimated from n independent normal values.

    Parameters
    ----------
    cpk : float
        The estimate.
    n : int
        How many values it came from.
    confidence : float
        Two-sided, 0…1.

    Returns
    -------
    Interval or None
        None for fewer than two values.

    Raises
    ------
    ValueError
        If confidence is not between 0 and 1.

    Notes
    -----
    Cpk ± z·√(1/9n + Cpk²/2(n − 1)), z the normal quantile of (1 + confidence)/2. Source:
    Bissell 1990, Applied Statistics 39:331-340.
    """
    if not 0.0 < confidence < 1.0:
        msg = f"confidence must lie between 0 and 1, not {confidence}"
        raise ValueError(msg)
    if n < 2:
        return None
    z = NormalDist().inv_cdf((1.0 + confidence) / 2.0)
    half = z * math.sqrt(1.0 / (9.0 * n) + cpk * cpk / (2.0 * (n - 1)))
    return Interval(cpk - half, cpk + half)
