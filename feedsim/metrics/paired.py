"""Two setups on the same cards: their differences, carrier by carrier.

A difference is always the other setup less the first. What chance does to a card it does in
both, so that it drops out of the difference and far fewer carriers show what differs (common
random numbers: Law & Kelton, Simulation Modeling and Analysis, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.clusters import design_effect, in_order
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import batch_interval, batches_of, mean_interval, one_value
from feedsim.metrics.proportions import paired_difference, unpaired_difference
from feedsim.metrics.spread import spread
from feedsim.metrics.spread_intervals import FEWEST, influence

__all__ = [
    "Better",
    "LengthDifference",
    "ShareDifference",
    "mean_difference",
    "sd_difference",
    "share_difference",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Better = Literal["first", "other"]


@dataclass(frozen=True, slots=True)
class LengthDifference:
    """Difference of a mean or a standard deviation, over the carriers placed in both.

    Attributes
    ----------
    n : int
        Carriers placed in both.
    first_mm, other_mm : float or None
        The figure of each, over these carriers.
    difference_mm : float or None
        Other less first.
    ci95_mm : Interval or None
        95 % interval of the paired difference.
    unpaired_ci95_mm : Interval or None
        What it would be had each setup run on cards of its own (Welch).
    exact : bool
        Every one of these carriers moved by the same distance: the interval has no width.
    better : {"first", "other"} or None
        Which is better with 95 % confidence (a mean: nearer to the target; a standard deviation:
        smaller); None where that is not decided, and where they are the same.
    """

    n: int
    first_mm: float | None
    other_mm: float | None
    difference_mm: float | None
    ci95_mm: Interval | None
    unpaired_ci95_mm: Interval | None
    exact: bool
    better: Better | None

    @property
    def size(self) -> float | None:
        """The difference (mm)."""
        return self.difference_mm

    @property
    def interval(self) -> Interval | None:
        """Its 95 % interval (mm)."""
        return self.ci95_mm


@dataclass(frozen=True, slots=True)
class ShareDifference:
    """Difference of two shares of the same carriers.

    Attributes
    ----------
    n : int
        Carriers compared.
    first, other : float or None
        The share of each, 0…1.
    only_first, only_other : int
        Carriers that count in one of the two alone.
    difference : float or None
        Other less first, −1…1.
    ci95 : Interval or None
        95 % interval of the paired difference (Bonett and Price, the counts divided by the
        design effect). It has a width even where no carrier differs.
    unpaired_ci95 : Interval or None
        What it would be had each setup run on cards of its own (Newcombe).
    design_effect : float
        How many times as many carriers it takes because neighbours are alike, 1 or more
        (:func:`feedsim.metrics.clusters.design_effect` of the differences).
    better : {"first", "other"} or None
        Which is better with 95 % confidence.
    """

    n: int
    first: float | None
    other: float | None
    only_first: int
    only_other: int
    difference: float | None
    ci95: Interval | None
    unpaired_ci95: Interval | None
    design_effect: float
    better: Better | None

    @property
    def size(self) -> float | None:
        """The difference (a fraction)."""
        return self.difference

    @property
    def interval(self) -> Interval | None:
        """Its 95 % interval (a fraction)."""
        return self.ci95


def mean_difference(
    first_mm: Floats, other_mm: Floats, *, resolution: float = 0.0, begins: Sequence[int] = (0,)
) -> LengthDifference:
    """Return the difference of the means of two columns of placement errors.

    Parameters
    ----------
    first_mm, other_mm : float64 array, shape (n,)
        Of the same carriers, in time order, finite.
    resolution : float
        mm; differences that all lie within it are one.
    begins : sequence of int
        Places at which a run begins.

    Notes
    -----
    The interval is that of :func:`feedsim.metrics.means.mean_interval` of the n differences.
    The other lies nearer to the target where |m_other| < |m_first|, that is where (m_other −
    m_first)·(m_other + m_first) < 0: decided only where the intervals of both, difference and
    sum, exclude 0 (each at 95 %, so both together at no less: an intersection-union test, Berger
    1982, Technometrics 24:295-300, from memory).
    """
    n = len(first_mm)
    if n == 0:
        return LengthDifference(0, *(None,) * 5, exact=False, better=None)
    d = other_mm - first_mm
    exact = one_value(d, resolution=resolution)
    low, high = float(d.min()), float(d.max())
    centre = min(max(float(d.mean()), low), high)
    interval = mean_interval(d, resolution=resolution, begins=begins)
    if exact and abs(centre) <= resolution:
        centre = 0.0
        interval = Interval(0.0, 0.0) if interval else None
    total = mean_interval(first_mm + other_mm, resolution=resolution, begins=begins)
    return LengthDifference(
        n=n,
        first_mm=float(first_mm.mean()),
        other_mm=float(other_mm.mean()),
        difference_mm=centre,
        ci95_mm=interval,
        unpaired_ci95_mm=_welch(centre, first_mm, other_mm, begins),
        exact=exact,
        better=_smaller(_sign(interval) * _sign(total)),
    )


def sd_difference(
    first_mm: Floats, other_mm: Floats, *, resolution: float = 0.0, begins: Sequence[int] = (0,)
) -> LengthDifference:
    """Return the difference of the standard deviations of two columns of placement errors.

    Parameters
    ----------
    first_mm, other_mm, resolution, begins
        As in :func:`mean_difference`.

    Notes
    -----
    A standard deviation is, to first order, itself plus the mean of what each value adds
    (:func:`feedsim.metrics.spread_intervals.influence`), so the interval is that of the mean of
    the differences of these about the difference. None below 20 placements.
    """
    n = len(first_mm)
    spreads = [spread(e, resolution=0.0).sd for e in (first_mm, other_mm)]
    if n < 2 or spreads[0] is None or spreads[1] is None:
        return LengthDifference(n, *(None,) * 5, exact=False, better=None)
    exact = one_value(other_mm - first_mm, resolution=resolution)
    difference = 0.0 if exact else spreads[1] - spreads[0]
    interval: Interval | None = None
    unpaired: Interval | None = None
    if n >= FEWEST:
        first, other = (influence(e, s) for e, s in zip((first_mm, other_mm), spreads, strict=True))
        interval = (
            Interval(0.0, 0.0) if exact else batch_interval(difference, other - first, begins)
        )
        unpaired = _welch(difference, first, other, begins)
    return LengthDifference(
        n=n,
        first_mm=spreads[0],
        other_mm=spreads[1],
        difference_mm=difference,
        ci95_mm=interval,
        unpaired_ci95_mm=unpaired,
        exact=exact,
        better=_smaller(_sign(interval)),
    )


def share_difference(
    first: Bools, other: Bools, *, more_is_better: bool, begins: Sequence[int] = (0,)
) -> ShareDifference:
    """Return the difference of two shares of the same carriers.

    Parameters
    ----------
    first, other : bool array, shape (n,)
        Which carriers count, in each setup.
    more_is_better : bool
        Whether the larger share is the better one.
    begins : sequence of int
        Places at which a run begins.
    """
    n = len(first)
    hits = int(np.count_nonzero(first)), int(np.count_nonzero(other))
    only_other = int(np.count_nonzero(other & ~first))
    only_first = int(np.count_nonzero(first & ~other))
    effect = design_effect(in_order(other.astype(np.int8) - first, begins))
    interval = paired_difference(only_other / effect, only_first / effect, n=n / effect)
    sign = _sign(interval)
    return ShareDifference(
        n=n,
        first=hits[0] / n if n else None,
        other=hits[1] / n if n else None,
        only_first=only_first,
        only_other=only_other,
        difference=(only_other - only_first) / n if n else None,
        ci95=interval,
        unpaired_ci95=unpaired_difference((hits[1], n), (hits[0], n)),
        design_effect=effect,
        better=_smaller(-sign if more_is_better else sign),
    )


def _batch_means(values: Floats, begins: Sequence[int]) -> list[float]:
    return [float(values[batch].mean()) for batch in batches_of(len(values), begins)]


def _welch(centre: float, first: Floats, other: Floats, begins: Sequence[int]) -> Interval | None:
    """Return Welch's interval about the centre, from the batch means of columns held apart.

    With v the variance of a column's batch means over their number b, the half-width is
    t·√(v₁ + v₂), t Student's quantile for (v₁ + v₂)²/((v₁² + v₂²)/(b − 1)) degrees of freedom
    (Welch 1947, Biometrika 34:28-35, from memory).
    """
    means = [_batch_means(values, begins) for values in (first, other)]
    b = len(means[0])
    if b < 2:
        return None
    from scipy.special import stdtrit

    v1, v2 = (float(np.var(m, ddof=1)) / b for m in means)
    if v1 + v2 == 0.0:
        return Interval(centre, centre)
    freedom = (v1 + v2) ** 2 / ((v1**2 + v2**2) / (b - 1))
    half = float(stdtrit(freedom, 0.975)) * math.sqrt(v1 + v2)
    return Interval(centre - half, centre + half)


def _sign(interval: Interval | None) -> int:
    """Return on which side of 0 the whole interval lies: 1, −1, or 0 where it does not."""
    if interval is None:
        return 0
    return (interval.low > 0.0) - (interval.high < 0.0)


def _smaller(sign: int) -> Better | None:
    """Return which is the smaller one, from the sign of other − first."""
    if sign == 0:
        return None
    return "first" if sign > 0 else "other"
