"""One feeder's trial as it is drawn: arrays in the units of display."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.trial.study.expected import Spot, spots_at
from feedsim.answers.trial.study.fit import FeederFit, TrialFit
from feedsim.answers.trial.study.line import Fitted
from feedsim.answers.trial.study.speeds import Measured
from feedsim.answers.trial.study.spread import Split, variance_at
from feedsim.quantities import System, display_unit
from feedsim.settings.nominal import rectangular_sd

__all__ = ["Band", "Dots", "Means", "TrialView", "trial_view"]

Floats = NDArray[np.float64]

_MOST_DOTS = 3000
_CURVE = 41
_Z = 1.959964


@dataclass(frozen=True, slots=True)
class Band:
    """A band over speed: where the middle of it is, and half its width; shape (n,)."""

    speed: Floats
    middle: Floats
    half: Floats


@dataclass(frozen=True, slots=True)
class Dots:
    """Single values over speed, shape (n,); ``out``: which of them stick out."""

    speed: Floats
    value: Floats
    out: NDArray[np.bool_]
    row: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Means:
    """Means (or standard deviations) over speed with the ends of their intervals, shape (n,)."""

    speed: Floats
    value: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class TrialView:
    """What is drawn of one feeder.

    ``placement``, ``stage``: the single values, their means, the band of 95 % of carriers that
    the scenario expects. ``line``, ``stage_line``: fitted. ``moved``: by how much the corrections
    move each dot's placement. ``spread``: standard deviations; ``fitted_sd``, ``expected_sd``:
    over ``expected.speed``. ``left_out``: whether what sticks out counts nowhere.
    """

    name: str
    number: int
    units: System
    tolerance: float
    placed: int
    dots: Dots
    moved: Floats
    means: Means
    means_moved: Floats
    expected: Band
    expected_after: Band
    line: Floats | None
    spread: Means
    fitted_sd: Floats | None
    expected_sd: Floats
    stage_dots: Dots
    stage_means: Means
    stage_expected: Band
    stage_line: Floats | None
    stage_target: float
    corrected: bool
    left_out: bool

    @property
    def has_values(self) -> bool:
        """Whether there is anything to draw."""
        return len(self.dots.value) + len(self.stage_dots.value) > 0

    @property
    def staged(self) -> bool:
        """Whether stage positions were measured."""
        return len(self.stage_dots.value) > 0


def trial_view(fit: TrialFit, feeder: FeederFit, *, units: System) -> TrialView:
    """Gather what is drawn of one feeder."""
    data, found, number = fit.measured, feeder.found, feeder.number
    size, pace = units_of = _sizes(units)
    curve, machine = _curve(feeder), fit.machine
    spots = [spots_at(machine, number, speed_mm_s=float(v)) for v in curve]
    errors, stages = [error for error, _ in spots], [stage for _, stage in spots]
    dots, place = _dots(fit, feeder, data.error_mm, "placement_error", units_of)
    stage_dots, _ = _dots(fit, feeder, data.stage_mm, "stage_position", units_of)
    placed = [there.placement for there in feeder.speeds]
    staged = [there.stage for there in feeder.speeds]
    means = _means(feeder, placed, units_of)
    band = _band(errors, curve, data.error_step_mm, units_of)
    corrected = any(x is not None and x.applied for x in (found.engage, found.disengage))
    after = replace(band, middle=np.zeros_like(band.middle)) if corrected else band
    spread = feeder.placement_spread
    return TrialView(
        name=feeder.name,
        number=number,
        units=units,
        tolerance=size * fit.scenario.acceptance.placement_tolerance,
        placed=sum(one.n for one in placed),
        dots=dots,
        moved=size * found.moved(machine, number, data.speed_mm_s[place]),
        means=means,
        means_moved=size * found.moved(machine, number, means.speed / pace),
        expected=band,
        expected_after=after,
        line=_line(found.placement_fit, curve, size),
        spread=_spreads(feeder, placed, units_of),
        fitted_sd=None if spread is None else _sd_curve(spread.found, curve, size),
        expected_sd=_expected_sd(errors, data.error_step_mm, size),
        stage_dots=stage_dots,
        stage_means=_means(feeder, staged, units_of),
        stage_expected=_band(stages, curve, data.stage_step_mm, units_of),
        stage_line=_line(found.stage_fit, curve, size, more=feeder.old.stage_position_mm),
        stage_target=size * feeder.old.stage_position_mm,
        corrected=corrected,
        left_out=not feeder.kept_outliers,
    )


def _sizes(units: System) -> tuple[float, float]:
    """Return what is drawn per mm, and per mm/s."""
    return display_unit("length", units).factor, display_unit("speed", units).factor


def _curve(feeder: FeederFit) -> Floats:
    """Return the speeds (mm/s) at which curves are drawn, a little beyond those of the trial."""
    low, high = feeder.speeds[0].speed_mm_s, feeder.speeds[-1].speed_mm_s
    more = 0.1 * (high - low) or 0.1 * high
    return np.linspace(max(low - more, 0.2 * low), high + more, _CURVE)


def _dots(
    fit: TrialFit, feeder: FeederFit, values: Floats, column: str, units: tuple[float, float]
) -> tuple[Dots, NDArray[np.intp]]:
    """Return single values, thinned where there are very many, and which rows they are."""
    size, pace = units
    place = np.flatnonzero((fit.measured.feeder == feeder.number) & ~np.isnan(values))
    whole = not feeder.kept_outliers  # then the row counts in no column
    rows = [outlier.row for outlier in feeder.outliers if whole or outlier.column == column]
    out = np.isin(fit.measured.row[place], rows)
    free = np.flatnonzero(~out)
    kept = np.union1d(np.flatnonzero(out), free[:: max(1, -(-len(free) // _MOST_DOTS))])
    place = place[kept]
    dots = Dots(
        speed=pace * fit.measured.speed_mm_s[place],
        value=size * values[place],
        out=out[kept],
        row=fit.measured.row[place],
    )
    return dots, place


def _band(spots: Sequence[Spot], curve: Floats, step_mm: float, units: tuple[float, float]) -> Band:
    size, pace = units
    read = rectangular_sd(0.5 * step_mm)
    half = [_Z * math.hypot(spot.sd_mm, read) + spot.slack_mm for spot in spots]
    # rounding to counts has the mean jump by hairs from speed to speed: draw it smooth
    means = np.array([spot.mean_mm for spot in spots])
    middle = np.polynomial.Polynomial.fit(curve, means, deg=3)(curve)
    return Band(pace * curve, size * middle, size * np.array(half))


def _expected_sd(spots: Sequence[Spot], step_mm: float, size: float) -> Floats:
    read = rectangular_sd(0.5 * step_mm)
    return size * np.array([math.hypot(spot.sd_mm, read) for spot in spots])


def _means(feeder: FeederFit, seen: Sequence[Measured], units: tuple[float, float]) -> Means:
    rows = [
        (there.speed_mm_s, one.mean_mm, *(one.mean_ci_mm or (one.mean_mm, one.mean_mm)))
        for there, one in zip(feeder.speeds, seen, strict=True)
        if one.mean_mm is not None
    ]
    return _columns(rows, units)


def _spreads(feeder: FeederFit, seen: Sequence[Measured], units: tuple[float, float]) -> Means:
    rows = [
        (there.speed_mm_s, one.sd_mm, *one.sd_ci_mm)
        for there, one in zip(feeder.speeds, seen, strict=True)
        if one.sd_mm is not None and one.sd_ci_mm is not None
    ]
    return _columns(rows, units)


def _columns(rows: Sequence[tuple[float | None, ...]], units: tuple[float, float]) -> Means:
    size, pace = units
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return Means(pace * table[:, 0], *(size * table[:, k] for k in (1, 2, 3)))


def _line(fitted: Fitted | None, curve: Floats, size: float, *, more: float = 0.0) -> Floats | None:
    if fitted is None:
        return None
    return np.asarray(size * (more + fitted.values[0] + fitted.values[1] * curve))


def _sd_curve(spread: Split | None, curve: Floats, size: float) -> Floats | None:
    return None if spread is None else np.asarray(size * np.sqrt(variance_at(spread, curve)))
