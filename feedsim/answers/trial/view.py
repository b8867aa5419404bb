"""One feeder's trial as drawn: arrays in the units of display."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.trial.study.expected import Position, expected_positions
from feedsim.answers.trial.study.fit import FeederFit, TrialFit
from feedsim.answers.trial.study.line import Fitted
from feedsim.answers.trial.study.speeds import MeasuredAtSpeed
from feedsim.answers.trial.study.spread import variance_at
from feedsim.arrays import Bools, Floats, Places
from feedsim.metrics.intervals import NORMAL_95
from feedsim.quantities import System, display_unit
from feedsim.settings.nominal import rectangular_sd

_MOST_DOTS = 3000
_CURVE = 41


@dataclass(frozen=True, slots=True)
class Band:
    """A band over speed: its middle and half width; shape (n,)."""

    speed: Floats
    middle: Floats
    half: Floats

    @property
    def ends(self) -> tuple[Floats, Floats]:
        """The lower and the upper end."""
        return self.middle - self.half, self.middle + self.half


@dataclass(frozen=True, slots=True)
class Dots:
    """Single values over speed, shape (n,); ``out``: which are outliers."""

    speed: Floats
    value: Floats
    out: Bools
    row: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Means:
    """Means (or standard deviations) over speed with the ends of their intervals, shape (n,)."""

    speed: Floats
    value: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class MeasuredSide:
    """Measurements of placement or stage.

    ``band``: of 95 % of carriers, as the scenario expects; ``line``: fitted, and ``sd``: expected,
    over its speeds.
    """

    dots: Dots
    means: Means
    band: Band
    line: Floats | None
    sd: Floats


@dataclass(frozen=True, slots=True)
class TrialView:
    """What is drawn of one feeder.

    ``moved``, ``means_moved``: how far the corrections move each dot's placement, and each mean;
    ``expected``: the band then. ``spread``: standard deviations of the placement;
    ``fitted_sd``: over the speeds of its band.
    """

    feeder: FeederFit
    units: System
    tolerance: float
    placement: MeasuredSide
    stage: MeasuredSide
    moved: Floats
    means_moved: Floats
    expected: Band
    spread: Means
    fitted_sd: Floats | None
    stage_target: float
    corrected: bool


def trial_view(fit: TrialFit, feeder: FeederFit, *, units: System) -> TrialView:
    """Gather what is drawn of one feeder."""
    draw = _Drawing(fit, feeder, units)
    data, found, size = fit.measured, feeder.found, draw.size
    errors, stages = zip(
        *(expected_positions(fit.machine, feeder.number, speed_mm_s=float(v)) for v in draw.curve),
        strict=True,
    )
    target, step_mm = feeder.old.stage_position_mm, data.error_step_mm
    placed, staged = zip(*((at.placement, at.stage) for at in feeder.speeds), strict=True)
    spread = feeder.placement_spread
    dots, rows = draw.dots("placement_error", data.error_mm)
    stage_dots, _ = draw.dots("stage_position", data.stage_mm)
    placement = draw.side(dots, placed, errors, found.placement_fit, step_mm=step_mm)
    stage = draw.side(
        stage_dots, staged, stages, found.stage_fit, step_mm=data.stage_step_mm, more=target
    )
    corrected = any(side is not None and side.applied for side in (found.engage, found.disengage))
    band, means = placement.band, placement.means
    return TrialView(
        feeder=feeder,
        units=units,
        tolerance=size * fit.scenario.acceptance.placement_tolerance,
        placement=placement,
        stage=stage,
        moved=size * found.moved(fit.machine, feeder.number, data.speed_mm_s[rows]),
        means_moved=size * found.moved(fit.machine, feeder.number, means.speed / draw.pace),
        expected=replace(band, middle=np.zeros_like(band.middle)) if corrected else band,
        spread=draw.means([(one.sd_mm, one.sd_ci_mm) for one in placed]),
        fitted_sd=size * np.sqrt(variance_at(spread.found, draw.curve)) if spread else None,
        stage_target=size * target,
        corrected=corrected,
    )


class _Drawing:
    """Makes what is drawn; ``size``, ``pace``: per mm and mm/s, ``curve``: speeds of curves (mm/s).

    Curves go a little beyond the speeds of the trial.
    """

    def __init__(self, fit: TrialFit, feeder: FeederFit, units: System) -> None:
        self.data, self.feeder = fit.measured, feeder
        self.size, self.pace = (display_unit(kind, units).factor for kind in ("length", "speed"))
        low, high = feeder.speeds[0].speed_mm_s, feeder.speeds[-1].speed_mm_s
        more = 0.1 * (high - low) or 0.1 * high
        self.curve = np.linspace(max(low - more, 0.2 * low), high + more, _CURVE)

    def dots(self, column: str, values: Floats) -> tuple[Dots, Places]:
        """Return single values, thinned if there are very many, and their rows."""
        data, feeder = self.data, self.feeder
        place = np.flatnonzero((data.feeder == feeder.number) & ~np.isnan(values))
        whole = not feeder.kept_outliers  # such a row is counted in no column
        rows = [outlier.row for outlier in feeder.outliers if whole or outlier.column == column]
        out = np.isin(data.row[place], rows)
        free = np.flatnonzero(~out)
        kept = np.union1d(np.flatnonzero(out), free[:: max(1, -(-len(free) // _MOST_DOTS))])
        place = place[kept]
        speed, value = self.pace * data.speed_mm_s[place], self.size * values[place]
        return Dots(speed, value, out[kept], data.row[place]), place

    def side(
        self,
        dots: Dots,
        seen: Sequence[MeasuredAtSpeed],
        spots: Sequence[Position],
        fitted: Fitted | None,
        *,
        step_mm: float,
        more: float = 0.0,
    ) -> MeasuredSide:
        """Return a side, its values read off in a step; the fitted line is moved by `more` (mm)."""
        sd = np.hypot([position.sd_mm for position in spots], rectangular_sd(0.5 * step_mm))
        half = NORMAL_95 * sd + [position.slack_mm for position in spots]
        # rounding to counts makes the mean jump slightly from speed to speed: draw it smooth
        means = np.array([position.mean_mm for position in spots])
        middle = np.polynomial.Polynomial.fit(self.curve, means, deg=3)(self.curve)
        line = None
        if fitted is not None:
            line = self.size * (more + fitted.values[0] + fitted.values[1] * self.curve)
        return MeasuredSide(
            dots=dots,
            means=self.means([(x.mean_mm, x.mean_ci_mm or (x.mean_mm, x.mean_mm)) for x in seen]),
            band=Band(self.pace * self.curve, self.size * middle, self.size * half),
            line=line,
            sd=self.size * sd,
        )

    def means(
        self, figures: Sequence[tuple[float | None, tuple[float | None, float | None] | None]]
    ) -> Means:
        """Return a figure (mm) and its interval at each speed that has both."""
        rows = [
            (there.speed_mm_s, value, *interval)
            for there, (value, interval) in zip(self.feeder.speeds, figures, strict=True)
            if value is not None and interval is not None
        ]
        table = np.array(rows, dtype=np.float64).reshape(-1, 4)
        return Means(self.pace * table[:, 0], *(self.size * table[:, k] for k in (1, 2, 3)))
