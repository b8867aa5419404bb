"""Values of a trial that stick out among those at their speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.data import TrialData
from feedsim.answers.trial.study.line import Fitted, speed_groups
from feedsim.answers.trial.study.spread import Scatter, split, variance_at
from feedsim.arrays import Floats, Places
from feedsim.metrics.fits import far_out

_MOST_OUTLIERS = 100
_ENOUGH = 8
_LEAST = 1e-3  # where all others are equal


@dataclass(frozen=True, slots=True)
class Outlier:
    """An outlier among the values of its speed.

    ``row``: of the file. ``off_by``: how many standard deviations.
    """

    row: int
    column: str
    speed_mm_s: float
    value_mm: float
    off_by: float


def outliers_of(data: TrialData, found: Corrections) -> list[Outlier]:
    """Return the values far from the median of their speed, relative to the spread there."""
    outliers = []
    for column, fitted, values in (
        ("placement_error", found.placement_fit, data.error_mm),
        ("stage_position", found.stage_fit, data.stage_mm),
    ):
        if fitted is None or not np.all(fitted.sd > 0.0):
            continue
        speeds = data.speed_mm_s[fitted.place]
        groups = speed_groups(speeds)
        off = fitted.off - _middles(fitted.off, groups)[groups]  # medians: no outlier moves them
        unit = off / _robust_sd(off, speeds, groups, fitted)
        most = min(_MOST_OUTLIERS, max(1, len(unit) // 10))
        places = far_out(unit, most=most)
        rest = np.delete(unit, places)
        outliers += [
            Outlier(
                row=int(data.row[fitted.place[place]]),
                column=column,
                speed_mm_s=float(speeds[place]),
                value_mm=float(values[fitted.place[place]]),
                off_by=float((unit[place] - rest.mean()) / max(rest.std(ddof=1), _LEAST)),
            )
            for place in places
        ]
    return outliers


def _middles(values: Floats, groups: Places) -> Floats:
    order = np.argsort(groups, kind="stable")
    parts = np.split(values[order], np.flatnonzero(np.diff(groups[order])) + 1)
    return np.array([np.median(part) for part in parts])


def _robust_sd(off: Floats, speeds: Floats, groups: Places, fitted: Fitted) -> Floats:
    """Return the spread at the speed of each value, from the middle half of them.

    1.4826 times the median distance from the median is σ of normal values; an outlier hardly moves
    it, while in a standard deviation it would make speeds without one look too quiet.
    """
    sizes = np.bincount(groups)
    if sizes.min() < _ENOUGH:
        return fitted.sd
    spreads = 1.4826 * _middles(np.abs(off), groups)
    pace = np.bincount(groups, speeds) / sizes
    robust = [
        Scatter(float(v), float((n - 1) * s * s), float(n - 1))
        for v, s, n in zip(pace, spreads, sizes, strict=True)
    ]
    parts = split(robust, kurtosis=0.0, confidence=0.95)
    return fitted.sd if parts is None else np.sqrt(variance_at(parts, speeds))
