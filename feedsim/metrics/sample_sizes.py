"""Sample sizes for a given confidence."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from feedsim.metrics.intervals import Interval, check_confidence, normal_quantile

MOST = 100_000_000
"""Largest plan, and largest run."""


@dataclass(frozen=True, slots=True)
class Plan:
    """At most ``most`` hits in ``n`` trials show that the share is low enough."""

    n: int
    most: int


def size_allowing(hits: int, share: float, *, confidence: float = 0.95) -> int:
    """Return how many trials with at most this many hits show that the share is below a limit.

    The least n > hits with P(X ≤ hits) ≤ 1 − confidence (one-sided), X binomial (n, share); at most
    ``MOST``. Without hits, (1 − share)^n: 59 for 5 % at 95 % (Wilks 1942, Annals of Mathematical
    Statistics 13:400-409). Raises ValueError if share or confidence is not between 0 and 1.

    >>> [size_allowing(hits, 0.05) for hits in range(3)]
    [59, 93, 124]
    """
    _check(share, confidence)
    enough = _below(1.0 - confidence)
    return _least(hits + 1, lambda n: enough(chance_to_pass(Plan(n, hits), share)))


def chance_to_pass(plan: Plan, share: float) -> float:
    """Return the probability that a line with this share passes a plan: P(X ≤ most)."""
    from scipy.special import bdtr

    if plan.most >= plan.n:
        return 1.0
    return float(bdtr(float(plan.most), plan.n, share))


def plan_for(
    limit: float, expected: float, *, confidence: float = 0.95, chance: float = 0.9
) -> Plan | None:
    """Return the shortest plan that shows a share below a limit and is likely to be passed.

    ``expected``: the likely share, 0…1. ``confidence``: least probability that a share at the limit
    fails the plan. ``chance``: least probability that the expected share passes it. None if the
    expected share is too near to the limit for a plan of up to a million trials or 200 hits.

    The binomial plan with both risks given: the least n of :func:`size_allowing` for 0, 1, 2 …
    hits until the chance is met (NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.3.2).
    """
    _check(limit, confidence)
    if expected >= limit:
        return None
    for hits in range(201):
        plan = Plan(size_allowing(hits, limit, confidence=confidence), hits)
        if plan.n > 1_000_000:
            return None
        if chance_to_pass(plan, expected) >= chance:
            return plan
    return None


def size_for_spread(within: float, *, confidence: float = 0.95) -> int:
    """Return how many values give the standard deviation to within a relative error.

    ``within``: above 0; both ends of the interval of σ, two-sided, lie within this fraction of s
    (0.2: ±20 %). It is s·√(ν/χ²(1 − α/2; ν)) to s·√(ν/χ²(α/2; ν)), ν = n − 1 (any text;
    NIST/SEMATECH e-Handbook, 7.2.3.1). Its upper end is always farther from s.

    >>> size_for_spread(0.25)
    49
    """
    if not within > 0.0:
        msg = f"an interval has a width above 0, not {within}"
        raise ValueError(msg)
    _check(0.5, confidence)
    return _least(2, lambda n: spread_interval(n, confidence=confidence).high <= 1.0 + within)


def spread_interval(n: float, *, confidence: float = 0.95) -> Interval:
    """Return the interval of σ in units of the s of n normal values (n ≥ 2).

    √(ν/χ²), as in :func:`size_for_spread` (NIST/SEMATECH e-Handbook, 7.2.3.1).
    """
    low, high = _chi_square(n - 1, confidence)
    return Interval(math.sqrt((n - 1) / high), math.sqrt((n - 1) / low) if low else math.inf)


def spread_band(n: float, *, confidence: float = 0.95) -> Interval:
    """Return the band that holds the s of n normal values, in units of their σ (n ≥ 2).

    √(χ²/ν), since ν·s²/σ² has the chi-squared distribution (NIST/SEMATECH e-Handbook, 7.2.3.1).
    """
    low, high = _chi_square(n - 1, confidence)
    return Interval(math.sqrt(low / (n - 1)), math.sqrt(high / (n - 1)))


def tolerance_factor(n: int, share: float, *, confidence: float = 0.95) -> float:
    """Return k: mean ± k·s of n ≥ 2 normal values covers at least a share of all, at a confidence.

    k = z·√((n − 1)·(1 + 1/n)/χ²), z the normal quantile of (1 + share)/2, χ² the quantile
    1 − confidence (one-sided) of the chi-squared distribution with n − 1 degrees of freedom.
    Source: Howe 1969, Journal of the American Statistical Association 64:610-620, as in
    NIST/SEMATECH e-Handbook, 7.2.6.3.
    """
    from scipy.special import gammaincinv

    _check(share, confidence)
    chi = 2.0 * float(gammaincinv((n - 1) / 2.0, 1.0 - confidence))
    return normal_quantile(share) * math.sqrt((n - 1) * (1.0 + 1.0 / n) / chi) if chi else math.inf


def size_by_measuring(room: float, share: float, *, confidence: float = 0.95) -> int | None:
    """Return how many normal errors to measure to show that a share lies within limits.

    The least n whose :func:`tolerance_factor` is at most ``room``, the distance from the mean to
    the nearer limit in standard deviations; None above 100 000. ``confidence`` is one-sided.
    """
    most = 100_000
    if tolerance_factor(most, share, confidence=confidence) > room:
        return None
    return _least(2, lambda n: tolerance_factor(n, share, confidence=confidence) <= room)


def _chi_square(dof: float, confidence: float) -> tuple[float, float]:
    from scipy.special import gammainccinv, gammaincinv

    tail = (1.0 - confidence) / 2.0
    return 2.0 * float(gammaincinv(dof / 2.0, tail)), 2.0 * float(gammainccinv(dof / 2.0, tail))


def _below(limit: float) -> Callable[[float], bool]:
    """Compare with a limit, ignoring a rounding step (0.5^1 is not above 0.5)."""
    return lambda value: value <= limit * (1.0 + 1e-12)


def _least(first: int, good: Callable[[int], bool]) -> int:
    """Return the least good number from ``first`` on, if all above it are good too."""
    high = first
    while high < MOST and not good(high):
        high = min(2 * high, MOST)
    low = first - 1 if high == first else high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if good(middle) else (middle, high)
    return high


def _check(share: float, confidence: float) -> None:
    if not 0.0 < share < 1.0:
        msg = f"a limit lies between 0 and 1, not at {share}"
        raise ValueError(msg)
    check_confidence(confidence)
