"""Measurements at each speed of a trial, beside what the scenario expects there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from feedsim.answers.trial.study.data import TrialData
from feedsim.answers.trial.study.expected import (
    Allowance,
    ExpectedAtSpeed,
    Position,
    allowance_of,
    effective,
)
from feedsim.answers.trial.study.missed import counted
from feedsim.arrays import Bools, Floats, Places
from feedsim.metrics.intervals import Interval
from feedsim.metrics.sample_sizes import spread_interval
from feedsim.metrics.serial import sd_of_mean, variance_left
from feedsim.metrics.student import student_interval
from feedsim.settings.nominal import rectangular_sd


@dataclass(frozen=True, slots=True)
class MeasuredAtSpeed:
    """Values of one kind at one speed, beside the scenario's band.

    No values have no mean, one has no standard deviation. Intervals are Student's and chi-squared.
    ``band``: the scenario's.
    ``mean_ci_mm``, ``sd_ci_mm``: Student's and chi-squared intervals.
    ``mean_mm``, ``sd_mm``: None for no values, or one.
    """

    n: int
    mean_mm: float | None
    mean_ci_mm: Interval | None
    sd_mm: float | None
    sd_ci_mm: Interval | None
    band: Allowance

    @property
    def mean_as_expected(self) -> bool | None:
        """Whether the mean lies in its band; None without one."""
        return _inside(self.mean_mm, self.band.mean_band_mm)

    @property
    def sd_as_expected(self) -> bool | None:
        """Whether the standard deviation lies in its band; None without one."""
        return _inside(self.sd_mm, self.band.sd_band_mm)


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """One speed of a trial.

    ``after_mm``: mean placement error with the corrected settings, all else as it was.
    """

    speed_mm_s: float
    placement: MeasuredAtSpeed
    stage: MeasuredAtSpeed
    after_mm: float | None
    carriers: int
    missed: int
    expected_missed: float


def _inside(value: float | None, band: Interval | None) -> bool | None:
    return None if value is None or band is None else band.low <= value <= band.high


def measured(
    values: Floats,
    expected: Position,
    *,
    step_mm: float,
    confidence: float,
    bands: int,
    process: float,
) -> MeasuredAtSpeed:
    """Return the figures of values (mm, shape (n,), none NaN) at one speed.

    ``step_mm``: of reading, which adds a spread of step/√12. ``confidence``: two-sided, of the
    intervals, and of all ``bands`` together. ``process``: coefficient of the values' first-order
    autoregression; 0 for independent ones.
    """
    n = len(values)
    mean = float(values.mean()) if n else None
    sd = float(values.std(ddof=1)) if n > 1 else None
    wanted = replace(expected, sd_mm=math.hypot(expected.sd_mm, rectangular_sd(0.5 * step_mm)))
    band = allowance_of(n, wanted, confidence=confidence, bands=bands, process=process)
    if mean is None or sd is None:
        return MeasuredAtSpeed(n, mean, None, sd, None, band)
    true_sd = sd / math.sqrt(variance_left(n, max(0.0, process)))
    alone, error = effective(n, process), true_sd * sd_of_mean(n, process)
    mean_ci = student_interval(mean, error, dof=alone - 1.0, confidence=confidence)
    part = spread_interval(alone, confidence=confidence)
    return MeasuredAtSpeed(
        n, mean, mean_ci, sd, Interval(part.low * true_sd, part.high * true_sd), band
    )


def at_speeds(
    data: TrialData,
    rows: Bools,
    groups: Places,
    *,
    kept: Bools,
    expected: Sequence[ExpectedAtSpeed],
    moved_mm: Floats,
    processes: tuple[float, float],
    confidence: float,
) -> tuple[AtSpeed, ...]:
    """Return the figures of one feeder at each speed.

    ``rows``, ``kept``, bool of shape (n,): the feeder's, and those of them whose values count; all
        of them are carriers.
    ``groups``, int of shape (n,): number of the speed of each row of the feeder; −1 elsewhere.
    ``expected``: one for each speed.
    ``moved_mm``, float64, one for each speed: how far corrections move the placement.
    ``processes``: coefficients of placement errors and stage positions (:func:`measured`).
    """
    bands = sum(
        2 * len({int(g) for g in np.unique(groups[kept & ~np.isnan(values)])})
        for values in (data.error_mm, data.stage_mm)
    )
    figures = partial(measured, confidence=confidence, bands=bands)
    found = []
    for number, there in enumerate(expected):
        here = rows & (groups == number)
        error, stage = (
            values[here & kept & ~np.isnan(values)] for values in (data.error_mm, data.stage_mm)
        )
        placement = figures(error, there.error, step_mm=data.error_step_mm, process=processes[0])
        staged = figures(stage, there.stage, step_mm=data.stage_step_mm, process=processes[1])
        mean = placement.mean_mm
        after = None if mean is None else mean + float(moved_mm[number])
        counts = counted(data, here)
        found.append(AtSpeed(there.speed_mm_s, placement, staged, after, *counts, there.missed))
    return tuple(found)
