"""Two setups with common random numbers: their differences, carrier by carrier.

A difference is always the other setup less the first. Each carrier has the same random numbers in
both, so chance mostly cancels and far fewer carriers show a difference (common random numbers: Law
& Kelton, Simulation Modeling and Analysis, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.metrics.clusters import design_effect, in_order
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import FEWEST, mean_interval, one_value, uncertainty
from feedsim.metrics.proportions import paired_difference, unpaired_difference
from feedsim.metrics.spread import spread
from feedsim.metrics.spread_differences import sd_difference_interval, unpaired_sd_difference
from feedsim.metrics.spread_intervals import sd_interval
from feedsim.metrics.student import student_interval

Better = Literal["first", "other"]


@dataclass(frozen=True, slots=True)
class LengthDifference:
    """Difference of a mean or a standard deviation, over the carriers placed in both.

    ``n``: carriers placed in both.
    ``first_mm``, ``other_mm``: the figure of each, over these carriers.
    ``difference_mm``: other less first.
    ``ci95_mm``: 95 % interval of the paired difference.
    ``unpaired_ci95_mm``: the interval if each setup had run on its own carriers (Welch).
    ``exact``: all these carriers moved by the same distance: the interval has no width.
    ``better``: which is better with 95 % confidence (a mean: nearer to the target; a standard
    deviation: smaller); None if undecided or equal.
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

    ``n``: carriers compared.
    ``first``, ``other``: the share of each, 0…1.
    ``only_first``, ``only_other``: carriers that count in only one of the two.
    ``difference``: other less first, −1…1.
    ``ci95``: 95 % interval of the paired difference (Bonett and Price, the counts divided by the
    design effect). It has a width even where no carrier differs.
    ``unpaired_ci95``: the interval if each setup had run on its own carriers (Newcombe).
    ``design_effect``: of the differences: the factor of carriers needed because neighbours are
    alike (:func:`feedsim.metrics.clusters.design_effect`).
    ``better``: which is better with 95 % confidence.
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
    first_mm: Floats, other_mm: Floats, *, resolution: float = 0.0, course: Course = ONE_RUN
) -> LengthDifference:
    """Return the difference of the means of two columns of placement errors of the same carriers.

    They are finite, in time order, shape (n,). ``resolution``: mm; differences that all lie within
    it count as equal. ``course``: how they are divided.

    The interval is :func:`feedsim.metrics.means.mean_interval` of the n differences. The other is
    nearer to the target if |m_other| < |m_first|, or (m_other − m_first)·(m_other + m_first) < 0:
    decided only if the intervals of difference and sum both exclude 0 (each at 95 %, so together
    at no less: an intersection-union test, Berger 1982, Technometrics 24:295-300, from memory).
    """
    n = len(first_mm)
    if n == 0:
        return LengthDifference(0, *(None,) * 5, exact=False, better=None)
    d = other_mm - first_mm
    exact = one_value(d, resolution=resolution)
    low, high = float(d.min()), float(d.max())
    centre = min(max(float(d.mean()), low), high)
    interval = mean_interval(d, resolution=resolution, course=course)
    if exact and abs(centre) <= resolution:
        centre = 0.0
        interval = Interval(0.0, 0.0) if interval else None
    total = mean_interval(first_mm + other_mm, resolution=resolution, course=course)
    return LengthDifference(
        n=n,
        first_mm=float(first_mm.mean()),
        other_mm=float(other_mm.mean()),
        difference_mm=centre,
        ci95_mm=interval,
        unpaired_ci95_mm=_welch(centre, first_mm, other_mm, course),
        exact=exact,
        better=_smaller(_sign(interval) * _sign(total)),
    )


def sd_difference(
    first_mm: Floats, other_mm: Floats, *, resolution: float = 0.0, course: Course = ONE_RUN
) -> LengthDifference:
    """Return the difference of the standard deviations of two columns of placement errors.

    Parameters as in :func:`mean_difference`; the interval is
    :func:`feedsim.metrics.spread_differences.sd_difference_interval`.
    """
    n = len(first_mm)
    spreads = [spread(e, resolution=0.0).sd for e in (first_mm, other_mm)]
    if n < 2 or spreads[0] is None or spreads[1] is None:
        return LengthDifference(n, *(None,) * 5, exact=False, better=None)
    exact = one_value(other_mm - first_mm, resolution=resolution)
    difference = 0.0 if exact else spreads[1] - spreads[0]
    interval: Interval | None = None
    if n >= FEWEST:
        interval = sd_difference_interval(first_mm, other_mm, course=course)
        interval = Interval(0.0, 0.0) if exact else interval
    alone = [sd_interval(each, course=course) for each in (first_mm, other_mm)]
    return LengthDifference(
        n=n,
        first_mm=spreads[0],
        other_mm=spreads[1],
        difference_mm=difference,
        ci95_mm=interval,
        unpaired_ci95_mm=unpaired_sd_difference((spreads[0], spreads[1]), alone),
        exact=exact,
        better=_smaller(_sign(interval)),
    )


def share_difference(
    first: Bools, other: Bools, *, more_is_better: bool, course: Course = ONE_RUN
) -> ShareDifference:
    """Return the difference of two shares of the same carriers.

    ``first``, ``other``: which carriers count, in each setup, shape (n,). ``more_is_better``:
    whether the larger share is the better one. ``course``: how they are divided.
    """
    n = len(first)
    hits = int(np.count_nonzero(first)), int(np.count_nonzero(other))
    only_other = int(np.count_nonzero(other & ~first))
    only_first = int(np.count_nonzero(first & ~other))
    effect = design_effect(in_order(other.astype(np.int8) - first, course))
    interval = unpaired = None
    if n >= FEWEST:
        interval = paired_difference(only_other / effect, only_first / effect, n=n / effect)
        alone = [design_effect(in_order(each, course)) for each in (first, other)]
        unpaired = unpaired_difference(
            (hits[1] / alone[1], n / alone[1]), (hits[0] / alone[0], n / alone[0])
        )
    sign = _sign(interval)
    return ShareDifference(
        n=n,
        first=hits[0] / n if n else None,
        other=hits[1] / n if n else None,
        only_first=only_first,
        only_other=only_other,
        difference=(only_other - only_first) / n if n else None,
        ci95=interval,
        unpaired_ci95=unpaired,
        design_effect=effect,
        better=_smaller(-sign if more_is_better else sign),
    )


def _welch(centre: float, first: Floats, other: Floats, course: Course) -> Interval | None:
    """Return Welch's interval about the centre, as if the columns were independent.

    With v and f the variance of each column's mean and its degrees of freedom
    (:func:`feedsim.metrics.means.uncertainty`), the half-width is t·√(v₁ + v₂), t Student's
    quantile for (v₁ + v₂)²/(v₁²/f₁ + v₂²/f₂) degrees of freedom (Welch 1947, Biometrika 34:28-35,
    from memory).
    """
    if len(first) < FEWEST:
        return None
    (v1, f1), (v2, f2) = (uncertainty(values, course) for values in (first, other))
    if v1 + v2 == 0.0:
        return Interval(centre, centre)
    freedom = (v1 + v2) ** 2 / (v1**2 / f1 + v2**2 / f2)
    return student_interval(centre, math.sqrt(v1 + v2), dof=freedom)


def _sign(interval: Interval | None) -> int:
    """Return the sign of the whole interval; 0 if it includes 0."""
    if interval is None:
        return 0
    return (interval.low > 0.0) - (interval.high < 0.0)


def _smaller(sign: int) -> Better | None:
    """Return which is the smaller one, from the sign of other − first."""
    if sign == 0:
        return None
    return "first" if sign > 0 else "other"
