"""Confidence intervals of a share.

``confidence`` is the nominal two-sided coverage (0…1); ``count`` is the number of hits in n
independent trials.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import NamedTuple

_STANDARD_NORMAL = NormalDist()
NORMAL_95 = 1.959963984540054
"""Half the width of a normal law's 95 % interval, in standard deviations."""


class Interval(NamedTuple):
    """Two ends, ``low`` ≤ ``high``, in the unit of what they enclose."""

    low: float
    high: float


def normal_quantile(confidence: float) -> float:
    """Return z: a normal value lies within ±z standard deviations with this probability (any text).

    By the tail below, (1 − confidence)/2, which loses no digits where it is small.
    """
    return -_STANDARD_NORMAL.inv_cdf((1.0 - confidence) / 2.0)


def sd_behind(low: float, high: float) -> float:
    """Return the standard deviation of a normal law by its 95 % interval, width/2z (any text)."""
    return (high - low) / (2.0 * NORMAL_95)


def each_of(many: int, confidence: float) -> float:
    """Return the confidence of each of many intervals, so that all hold together at this one.

    1 − (1 − confidence)/many (Bonferroni, any text).
    """
    return 1.0 - (1.0 - confidence) / many


def check_confidence(confidence: float) -> None:
    """Refuse what is no confidence between 0 and 1."""
    if not 0.0 < confidence < 1.0:
        msg = f"confidence must lie between 0 and 1, not {confidence}"
        raise ValueError(msg)


def difference_interval(
    first: float, of_first: Interval, other: float, of_other: Interval
) -> Interval:
    """Return the interval of other − first, of two independent estimates with their intervals.

    With d the difference, l and u the ends of their intervals ::

        d − √((other − l_other)² + (u_first − first)²)
        d + √((u_other − other)² + (first − l_first)²)

    Source: method 10 of Newcombe 1998, Statistics in Medicine 17:873-890, for shares; Zou & Donner
    2008, Statistics in Medicine 27:1693-1702, for any estimate (from memory).
    """
    low = math.hypot(other - of_other.low, of_first.high - first)
    high = math.hypot(of_other.high - other, first - of_first.low)
    return Interval(other - first - low, other - first + high)


def share_interval(share: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Return the two-sided interval of a share (0…1) seen in n independent trials.

    ``n``: above 0. For dependent trials, their effective number, which need not be whole. Raises
    ValueError if the share is not in 0…1, n not above 0, or confidence not between 0 and 1.

    The interval of :func:`wilson` covers too rarely if few hits, or few misses, are expected (86 %
    near 0.1): after one hit it starts at 0.18 hits. So the lower end is the exact one-sided one,
    B(α; h, n − h + 1), h = share·n, if that is lower, and the upper end 1 − B(α; n − h, h + 1), if
    that is higher, which matters up to about ten hits or misses.
    Source: the modified Wilson interval of Brown, Cai & DasGupta 2001, Statistical Science
    16:101-133, there with the Poisson limit of B (from memory).
    """
    if not (0.0 <= share <= 1.0 and n > 0.0 and 0.0 < confidence < 1.0):
        msg = f"no interval of a share of {share} in {n} at a confidence of {confidence}"
        raise ValueError(msg)
    low, high = wilson(share, n, confidence=confidence)
    below, above = _few(share, n, confidence), _few(1.0 - share, n, confidence)
    return Interval(min(low, below), max(high, 1.0 - above))


def _few(share: float, n: float, confidence: float) -> float:
    """Return the share at which that many hits (at least 1) or more have probability α."""
    from scipy.special import betaincinv

    if share <= 0.0:
        return 0.0
    hits = max(1.0, share * n)
    return float(betaincinv(hits, max(hits / share - hits, 0.0) + 1.0, 1.0 - confidence))


def trials_to_tell(share: float, limit: float, *, confidence: float = 0.95) -> float | None:
    """Return the number of trials from which :func:`share_interval` excludes a limit (0…1).

    Wilson's interval holds all p with |share − p| ≤ z·√(p(1 − p)/n), so it excludes the limit
    from n = z²·limit·(1 − limit)/(share − limit)² on (derived from Wilson 1927). It takes more
    where that means only a few hits. None if no number does: the share is the limit, or the limit
    is 0 or 1. ``confidence`` is two-sided.
    """
    if share == limit or not 0.0 < limit < 1.0:
        return None
    z = normal_quantile(confidence)
    high = n = z * z * limit * (1.0 - limit) / (share - limit) ** 2
    if share < limit:
        share, limit = 1.0 - share, 1.0 - limit
    while _few(share, high, confidence) <= limit:
        high *= 2.0
    low = n
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _few(share, middle, confidence) > limit else (middle, high)
    return high


def wilson(share: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Return the two-sided Wilson (score) interval of a share seen in n trials.

    With p the share and z the :func:`normal_quantile` ::

        (p + z²/2n ± z·√(p(1 − p)/n + z²/4n²)) / (1 + z²/n)

    Source: Wilson 1927, Journal of the American Statistical Association 22:209-212 (from
    memory); method 3 in Newcombe 1998, Statistics in Medicine 17:857-872.

    Examples
    --------
    >>> low, high = wilson(81 / 263, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    z = normal_quantile(confidence)
    scale = 1.0 + z * z / n
    centre = (share + z * z / (2.0 * n)) / scale
    half = z * math.sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n)) / scale
    # the share lies within, also after rounding; a share of 0 or 1 is an end
    return Interval(max(0.0, min(share, centre - half)), min(1.0, max(share, centre + half)))


def clopper_pearson(count: float, n: float, *, confidence: float = 0.95) -> Interval | None:
    """Return the exact two-sided interval of a share (0…1), whose coverage is never less.

    Hits and trials, 0 ≤ count ≤ n, may be effective numbers of dependent ones, which need not be
    whole (Korn & Graubard 1998, Survey Methodology 24:193-201). None where n = 0. Raises ValueError
    if count is not in 0…n, or confidence not between 0 and 1.

    With α = 1 − confidence and B the quantile of the beta distribution, from
    B(α/2; count, n − count + 1) to B(1 − α/2; count + 1, n − count); 0 below where
    count = 0, 1 above where count = n. Source: Clopper & Pearson 1934, Biometrika
    26:404-413 (from memory); method 5 in Newcombe 1998, Statistics in Medicine 17:857-872.
    """
    from scipy.special import betaincinv

    _check(count, n, confidence=confidence)
    if n == 0:
        return None
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1.0, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1.0, n - count, 1.0 - tail))
    return Interval(low, high)


def most_if_none(n: int, *, error: float) -> float:
    """Return the one-sided upper limit of a share if no hit was seen in n trials, n above 0.

    Seeing none then has a probability of ``error``: (1 − p)^n = error, so p = 1 − error^(1/n).
    Source: Hanley & Lippman-Hand 1983, Journal of the American Medical Association 249:1743-1745
    (from memory).
    """
    return -math.expm1(math.log(error) / n)


def upper95(n: int) -> float | None:
    """Return the one-sided 95 % upper limit of a share if no hit was seen in n trials.

    :func:`most_if_none` with an error of 5 %, close to 3/n. None where n = 0, ValueError below.
    """
    _check(0, n, confidence=0.95)
    return None if n == 0 else most_if_none(n, error=0.05)


def _check(count: float, n: float, *, confidence: float) -> None:
    if not 0 <= count <= n:
        msg = f"a count must lie in 0…n, not {count} of {n}"
        raise ValueError(msg)
    check_confidence(confidence)
