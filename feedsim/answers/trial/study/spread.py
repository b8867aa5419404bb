"""A spread that grows with speed, split into a fixed part and a time: σ² = A + B·v².

Edges, slips and counts spread by the same length at every speed; ticks, scans and jitter are
times, whose spread in travel grows with speed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.metrics.intervals import Interval, normal_quantile

_FEW = 30
_STEPS = 200


class Scatter(NamedTuple):
    """Scatter of values at one speed: sum of squares (mm²) about their mean, and its dof."""

    speed_mm_s: float
    squares_mm2: float
    dof: float


@dataclass(frozen=True, slots=True)
class Split:
    """The two parts, √A and √B, with intervals.

    For a single speed ``time_s`` and its interval are None: the whole is then ``fixed_mm``.
    ``dispersion``: variance of the sums of squares over that of normal values: below 1 for uniform
    ones.
    ``dof``: of all the scatter together.
    ``fixed_mm``: √A.
    ``time_s``: √B; None (and its interval) for a single speed: the whole is then fixed_mm.
    """

    fixed_mm: float
    fixed_ci_mm: Interval
    time_s: float | None
    time_ci_s: Interval | None
    dof: float  # of all the scatter together
    dispersion: float


def variance_at(found: Split, speed_mm_s: Floats) -> Floats:
    """Return A + B·v² (mm²), shape of the speeds."""
    return found.fixed_mm**2 + ((found.time_s or 0.0) * speed_mm_s) ** 2


def scatter_of(values: Floats, speeds_mm_s: Floats, groups: Places) -> tuple[list[Scatter], Floats]:
    """Return the scatter of values (mm) about the mean of their group, and each deviation (mm).

    ``groups``: number of each value's group, from 0, none empty. All have shape (n,). Only groups
    of two values or more have a scatter.
    """
    counts = np.bincount(groups)
    off = values - (np.bincount(groups, values) / counts)[groups]
    squares = np.bincount(groups, off * off)
    speeds = np.bincount(groups, speeds_mm_s) / counts
    scatter = [
        Scatter(float(v), float(s), float(n - 1))
        for v, s, n in zip(speeds, squares, counts, strict=True)
        if n > 1
    ]
    return scatter, off


def split(
    scatter: Sequence[Scatter], *, kurtosis: float, confidence: float, worth: float = 1.0
) -> Split | None:
    """Split a spread into its two parts; None if nothing scatters.

    ``kurtosis``: excess kurtosis of the values, each over its spread (normal ones have 0).
    ``confidence``: two-sided, of each interval. ``worth``: independent values that one of these is
    worth, above 0 to 1.

    Maximum likelihood for normal values, SSⱼ/σⱼ² chi-squared with νⱼ degrees of freedom, A and B at
    least 0 ::

        2·ln L = −Σ νⱼ·[ln σⱼ² + (SSⱼ/νⱼ)/σⱼ²]

    and intervals by the profile of that likelihood: the other part takes its best value, and 2·ln L
    may fall by φ times the quantile of chi-squared with 1 degree of freedom. φ = 1 + κ/2, κ the
    kurtosis, since the variance of a sum of squares goes as 2 + κ (Layard 1973, Journal of the
    American Statistical Association 68:195-198, from memory); at least 1 below 30 degrees of
    freedom. For dependent values φ is divided by their worth.
    """
    dof = sum(s.dof for s in scatter)
    if not scatter or sum(s.squares_mm2 for s in scatter) <= 0.0:
        return None
    phi = min(10.0, max(0.5, 1.0 + 0.5 * kurtosis))
    phi = (max(1.0, phi) if dof < _FEW else phi) / worth
    drop = phi * normal_quantile(confidence) ** 2
    speeds = np.array([s.speed_mm_s for s in scatter])
    model = _model(scatter)
    if float(speeds.max() - speeds.min()) < 0.01 * float(speeds.max()):
        a = float(model.squares.sum() / dof)
        alone = _Model(model.squares, model.dof, model.design[:, :1])
        return Split(
            math.sqrt(a), _roots(alone.interval(np.array([a]), 0, drop)), None, None, dof, phi
        )
    best = model.best()
    top = float(speeds.max())
    times = _roots(model.interval(best, 1, drop))
    return Split(
        fixed_mm=math.sqrt(best[0]),
        fixed_ci_mm=_roots(model.interval(best, 0, drop)),
        time_s=math.sqrt(best[1]) / top,
        time_ci_s=Interval(times.low / top, times.high / top),
        dof=dof,
        dispersion=phi,
    )


def chance_of_parts(
    scatter: Sequence[Scatter], found: Split, *, fixed_mm: float, time_s: float
) -> float:
    """Return the probability of a likelihood ratio at least as large, if these are the parts.

    2·ln L of the parts found less that of these, over φ, is chi-squared with 2 degrees of freedom
    (1 for a single speed); Wilks 1938, Annals of Mathematical Statistics 9:60-62, from memory.
    """
    from scipy.special import gammaincc

    one_speed = found.time_s is None
    time = max(s.speed_mm_s for s in scatter) * np.array([time_s, found.time_s or 0.0])
    model = _model(scatter)
    here = model.deviance(np.array([fixed_mm**2, time[0] ** 2]))
    fall = here - model.deviance(np.array([found.fixed_mm**2, time[1] ** 2]))
    return float(gammaincc(0.5 if one_speed else 1.0, max(0.0, fall) / (2.0 * found.dispersion)))


def _model(scatter: Sequence[Scatter]) -> _Model:
    speeds = np.array([s.speed_mm_s for s in scatter])
    return _Model(
        squares=np.array([s.squares_mm2 for s in scatter]),
        dof=np.array([s.dof for s in scatter]),
        design=np.column_stack([np.ones(len(scatter)), (speeds / speeds.max()) ** 2]),
    )


def _roots(interval: Interval) -> Interval:
    return Interval(math.sqrt(interval.low), math.sqrt(interval.high))


@dataclass(frozen=True, slots=True)
class _Model:
    """Sums of squares with variances that are sums of parts of at least 0."""

    squares: Floats
    dof: Floats
    design: Floats

    def deviance(self, parts: Floats) -> float:
        """Return −2·ln L but for a constant; infinite where a variance is 0."""
        variance = self.design @ parts
        if not np.all(variance > 0.0):
            return math.inf
        return float(np.sum(self.dof * np.log(variance) + self.squares / variance))

    def best(self) -> Floats:
        """Return the parts of the highest likelihood, by iterated weighted least squares."""
        means = self.squares / self.dof
        parts = nearest_not_below_0(
            self.design * np.sqrt(self.dof)[:, None], means * np.sqrt(self.dof)
        )
        for _ in range(_STEPS):
            variance = np.maximum(self.design @ parts, 1e-9 * means.max())
            root = np.sqrt(self.dof) / variance
            new = nearest_not_below_0(self.design * root[:, None], means * root)
            if np.allclose(new, parts, rtol=1e-10, atol=0.0):
                break
            parts = new
        return new

    def profile(self, place: int, value: float) -> float:
        """Return the least deviance with one part at a value."""
        if self.design.shape[1] == 1:
            return self.deviance(np.array([value]))

        known, design = value * self.design[:, place], self.design[:, 1 - place]

        @cache  # asked at both ends more than once
        def slope(other: float) -> float:
            variance = known + other * design
            return float(((self.dof - self.squares / variance) / variance) @ design)

        most = float(np.max(self.squares / self.dof / design))
        least = 1e-9 * most if value == 0.0 else 0.0
        other = least if slope(least) >= 0.0 else _zero(slope, least, most)
        return self.deviance(np.array([value, other] if place == 0 else [other, value]))

    def interval(self, best: Floats, place: int, drop: float) -> Interval:
        """Return where the profile has fallen by ``drop``, on both sides."""
        floor = self.deviance(best) + drop

        @cache
        def beyond(value: float) -> float:
            return self.profile(place, value) - floor

        start = float(best[place])
        scale = float(np.max(self.squares / self.dof))
        if start <= 0.0 or beyond(1e-9 * start) <= 0.0:
            low = 0.0
        else:
            low = _zero(beyond, 1e-9 * start, start)
        high = max(start, 1e-6 * scale)
        while beyond(high) <= 0.0 and high < 1e9 * scale:
            high *= 2.0
        return Interval(low, _zero(beyond, start, high))


def nearest_not_below_0(design: Floats, values: Floats) -> Floats:
    """Return least squares with coefficients of at least 0 (Lawson & Hanson's NNLS)."""
    from scipy.optimize import nnls

    scale = np.linalg.norm(design, axis=0)
    found, _ = nnls(design / scale, values)
    return np.asarray(found / scale, dtype=np.float64)


def _zero(f: Callable[[float], float], low: float, high: float) -> float:
    """Return the zero of a function between two places at which its signs differ."""
    from scipy.optimize import brentq

    at_low, at_high = f(low), f(high)
    if at_low == 0.0 or high <= low or (at_low > 0.0) == (at_high > 0.0):
        return low if abs(at_low) < abs(at_high) else high
    return float(brentq(f, low, high, rtol=1e-9))
