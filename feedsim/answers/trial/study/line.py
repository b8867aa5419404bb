"""A straight line through values at several speeds: its value at standstill, and its slope."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from feedsim.answers.trial.study.dependence import Dependence, covariance_of, dependence_of
from feedsim.answers.trial.study.spread import Scatter, Split, scatter_of, split, variance_at
from feedsim.arrays import Floats, Places
from feedsim.metrics.fits import nothing_there, weighted_fit
from feedsim.metrics.serial import effective_for_spread, variance_left
from feedsim.metrics.spread_intervals import correlation
from feedsim.metrics.student import student_interval

_SAME_SPEED = 0.01
_LEAST_SCATTER_DOF = 3.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its interval, in the unit named by the attribute that holds it."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class SpeedLine:
    """The error of a side: at standstill, and per speed (mm per mm/s, a time; None for one speed).

    ``n``, ``speeds``: values and speeds behind it; 0 for the sum of two lines. ``by_chance``:
    probability of a line this far from 0 if nothing is off. ``straight``: that of means this far
    from the line if it is straight; None if not testable.
    ``per_speed_s``: mm per mm/s, a time. None if there was only one speed.
    """

    n: int
    speeds: int
    at_standstill_mm: Estimate
    per_speed_s: Estimate | None
    by_chance: float
    straight: float | None


@dataclass(frozen=True, slots=True)
class Fitted:
    """A line, and what further figures are computed from.

    ``values``, ``covariance``: at standstill (mm) and per speed (s; 0 if there is one speed),
    shapes (2,) and (2, 2). ``place``: the rows of the trial behind it, shape (n,). ``made_of``:
    their weights in the values, shape (2, n). ``off``: each value less the mean of its speed;
    ``sd``: the spread at that speed, 0 for none (mm, shape (n,)). ``scatter``: input to the split
    of the spread. ``dependence``: whether values depend on the one before; None if too few follow
    each other.
    """

    values: Floats
    covariance: Floats
    dof: float
    place: Places
    made_of: Floats
    off: Floats
    sd: Floats
    spread: Split | None
    scatter: tuple[Scatter, ...]
    one_speed: bool
    speeds: int
    straight: float | None
    dependence: Dependence | None

    def line(self, confidence: float) -> SpeedLine:
        """Return it with its intervals."""
        parts = (self.values, self.covariance, self.dof)
        line = line_of(*parts, confidence=confidence, one_speed=self.one_speed)
        return replace(line, n=len(self.place), speeds=self.speeds, straight=self.straight)


def process_of(fitted: Fitted | None) -> float:
    """Return the coefficient of the autoregression assumed for the values; 0: independent."""
    return fitted.dependence.process if fitted and fitted.dependence else 0.0


def speed_groups(speeds_mm_s: Floats) -> Places:
    """Return the number of each speed's group, from 0, rising; a group spans at most 1 %.

    >>> speed_groups(np.array([1000.0, 400.0, 1004.0])).tolist()
    [1, 0, 1]
    """
    order = np.argsort(speeds_mm_s, kind="stable")
    groups = np.zeros(len(speeds_mm_s), dtype=np.intp)
    rising = speeds_mm_s[order]
    starts = [0]
    while starts[-1] < len(rising):
        most = rising[starts[-1]] * (1.0 + _SAME_SPEED)
        starts.append(int(np.searchsorted(rising, most, "right")))
    groups[order] = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    return groups


def fitted_line(
    values: Floats, speeds_mm_s: Floats, place: Places, *, confidence: float
) -> Fitted | None:
    """Fit a line by weighted least squares.

    ``values`` (mm) and ``place``, their rows in the trial, have shape (n,). ``confidence``:
    two-sided, of the parts of the spread. None if there are too few values for an interval: it
    takes 2 at one speed, 3 at several.

    The weights are 1/(A + B·v²), the spread within the speeds
    (:mod:`feedsim.answers.trial.study.spread`): smoother than a variance for each speed, which a
    handful of values hardly shows. If values depend on the one before
    (:mod:`feedsim.answers.trial.study.dependence`), sums of squares are corrected for what the
    means absorb, and all intervals are wider.
    """
    groups = speed_groups(speeds_mm_s) if len(values) else np.zeros(0, dtype=np.intp)
    speeds = int(groups.max()) + 1 if len(values) else 0
    if len(values) < (2 if speeds < 2 else 3):
        return None
    one_speed = speeds == 1
    design = np.ones((len(values), 1))
    if not one_speed:
        design = np.column_stack([design, speeds_mm_s])
    scatter, off = scatter_of(values, speeds_mm_s, groups)
    alike, groups_of_two = groups, np.bincount(groups)[groups] > 1
    if sum(s.dof for s in scatter) < _LEAST_SCATTER_DOF:
        off = weighted_fit(design, values).residuals
        each = (len(values) - design.shape[1]) / len(values)
        scatter = [
            Scatter(float(v), float(r * r), each) for v, r in zip(speeds_mm_s, off, strict=True)
        ]
        alike, groups_of_two = np.zeros_like(groups), np.ones(len(values), dtype=bool)
    spread = split(scatter, kurtosis=0.0, confidence=confidence)
    sd = np.zeros(len(values))
    dependence = None
    if spread is not None:
        sd = np.sqrt(variance_at(spread, speeds_mm_s))
        kurtosis = _kurtosis((off / sd)[groups_of_two])
        dependence = dependence_of(off / sd, alike)
        process = dependence.process if dependence else 0.0
        scatter = [_corrected(one, process) for one in scatter]
        worth = effective_for_spread(1.0, process)
        spread = split(scatter, kurtosis=kurtosis, confidence=confidence, worth=worth)
    weights = 1.0 / sd**2 if spread is not None else None
    fit = weighted_fit(design, values, weights=weights)
    process = dependence.of_means if dependence else 0.0
    covariance, dof, straight = covariance_of(fit, groups, alike, process=process)
    return Fitted(
        values=_padded(fit.coefficients),
        covariance=_padded(_padded(covariance).T).T,
        dof=dof,
        place=place,
        made_of=_padded(fit.pseudo_inverse),
        off=off,
        sd=sd,
        spread=spread,
        scatter=tuple(scatter),
        one_speed=one_speed,
        speeds=speeds,
        straight=straight,
        dependence=dependence,
    )


def _corrected(scatter: Scatter, process: float) -> Scatter:
    """Return the scatter of independent values, whose mean absorbs less of it."""
    if process == 0.0 or scatter.dof < 1.0:
        return scatter
    left = variance_left(scatter.dof + 1.0, process)
    return scatter._replace(squares_mm2=scatter.squares_mm2 / left)


def _kurtosis(unit: Floats) -> float:
    square = float(np.mean(unit**2))
    return float(np.mean(unit**4)) / square**2 - 3.0 if square else 0.0


def _padded(values: Floats) -> Floats:
    """Add a row of 0 for the slope."""
    if len(values) == 2:
        return values
    return np.concatenate([values, np.zeros_like(values)])


def joined(first: Fitted, second: Fitted, *, factor: float) -> tuple[Floats, Floats, float]:
    """Return the line first + factor·second: its values, covariance and degrees of freedom.

    Values of one carrier in both are correlated; the correlation comes from those.
    """
    _, in_first, in_second = np.intersect1d(first.place, second.place, return_indices=True)
    cross = np.zeros((2, 2))
    sd_first, sd_second = first.sd[in_first], second.sd[in_second]
    if len(in_first) > 2 and np.all(sd_first > 0.0) and np.all(sd_second > 0.0):
        alike = correlation(first.off[in_first] / sd_first, second.off[in_second] / sd_second)
        each = alike * _scale(first) * sd_first * _scale(second) * sd_second
        cross = (first.made_of[:, in_first] * each) @ second.made_of[:, in_second].T
    covariance = first.covariance + factor**2 * second.covariance + factor * (cross + cross.T)
    dof = min(first.dof, second.dof)
    return first.values + factor * second.values, covariance, dof


def _scale(fitted: Fitted) -> float:
    """Return the ratio of an interval to that from the spread within the speeds."""
    plain = float(np.sum((fitted.made_of[0] * fitted.sd) ** 2))
    return math.sqrt(float(fitted.covariance[0, 0]) / plain)


def line_of(
    values: Floats, covariance: Floats, dof: float, *, confidence: float, one_speed: bool
) -> SpeedLine:
    """Write a line with its intervals."""
    sds = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    used = slice(0, 1) if one_speed else slice(0, 2)
    estimates = [
        Estimate(float(v), *student_interval(float(v), float(sd), dof=dof, confidence=confidence))
        for v, sd in zip(values, sds, strict=True)
    ]
    return SpeedLine(
        n=0,
        speeds=0,
        at_standstill_mm=estimates[0],
        per_speed_s=None if one_speed else estimates[1],
        by_chance=nothing_there(values[used], covariance[used, used], dof=dof),
        straight=None,
    )
