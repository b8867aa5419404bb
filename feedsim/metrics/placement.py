"""Placement errors and stage positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.criteria import Criteria
from feedsim.metrics.capability import capability
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import FEWEST, mean_interval
from feedsim.metrics.rows import combined, cycle_rows, placed_rows
from feedsim.metrics.share import Note, share_of
from feedsim.metrics.spread import spread
from feedsim.metrics.spread_intervals import capability_intervals, sd_interval
from feedsim.records.columns import FeederRecords

_SAME_MM = 1e-6
"""Errors closer than this count as one: the travel at 10 m/s in 1e-10 s (model, 'same instant')."""


@dataclass(frozen=True, slots=True)
class PlacementError:
    """Actual offset − target offset (mm; above 0: too far back) of the placed inserts.

    ``n``: placed inserts.
    ``mean_ci95_mm``: 95 % interval of the mean, by batch means in one run, else from the means of
    the runs; none below 20 placed inserts.
    ``p01_mm``, ``p50_mm``, ``p99_mm``: percentiles, interpolated linearly between order statistics.
    ``within_tolerance``, ``within_tolerance_ci95``, ``within_tolerance_effective_n``: share of the
    placed inserts, its interval and the effective number of inserts
    (:class:`feedsim.metrics.share.Share`).
    ``cp``, ``cpk``: capability against the tolerance either side of the target; None if the errors
    do not spread, and below 20 placed inserts, too few for a meaningful Cp.
    ``sd_ci95_mm``, ``cp_ci95``, ``cpk_ci95``: 95 % intervals
    (:mod:`feedsim.metrics.spread_intervals`).
    ``within_tolerance_ci95_note``: as ``ci95_note`` of :class:`feedsim.metrics.share.Share`.
    ``ci95_note``: why other intervals are missing: too few values to show whether neighbours are
    alike.
    """

    n: int
    mean_mm: float | None
    mean_ci95_mm: Interval | None
    sd_mm: float | None
    sd_ci95_mm: Interval | None
    min_mm: float | None
    max_mm: float | None
    p01_mm: float | None
    p50_mm: float | None
    p99_mm: float | None
    within_tolerance: float | None
    within_tolerance_ci95: Interval | None
    within_tolerance_effective_n: float | None
    within_tolerance_ci95_note: Note | None
    cp: float | None
    cpk: float | None
    cp_ci95: Interval | None
    cpk_ci95: Interval | None
    ci95_note: Note | None


@dataclass(frozen=True, slots=True)
class StagePosition:
    """Distance past the insert eye at which noses rested when their feed cycle began."""

    mean_mm: float | None
    sd_mm: float | None


def placement_error(
    feeder: FeederRecords,
    warm_up: int,
    *,
    criteria: Criteria,
    resolution_mm: float,
    course: Course = ONE_RUN,
) -> PlacementError:
    """Return the figures of the placement errors of one feeder's counted carriers.

    Every placed row has a finite error. ``warm_up``: carriers left out at the front.
    ``resolution_mm``: errors closer than this count as one; one beyond the tolerance by no more
    lies within. ``course``: how the rows of the records are divided.
    """
    rows = placed_rows(feeder, warm_up)
    errors = feeder.placement_error_mm[rows]
    n = len(errors)
    if n == 0:
        return PlacementError(0, *(None,) * 18)
    tolerance = criteria.placement_tolerance_mm
    among = course.among(rows)
    every, limit = slice(0, n), criteria.largest_error_mm(resolution_mm)
    within = share_of(combined(every, lambda error: np.abs(error) <= limit, errors), among)
    same = max(resolution_mm, _SAME_MM)
    s = spread(errors, resolution=same)
    of_mean = mean_interval(errors, resolution=same, course=among)
    of_sd = sd_interval(errors, resolution=same, course=among)
    fit = None
    ends = None
    if s.mean is not None and s.sd is not None and n >= FEWEST:
        fit = capability(s.mean, s.sd, lower=-tolerance, upper=tolerance)
    if fit is not None:
        ends = capability_intervals(
            errors, fit, tolerance=tolerance, mean=of_mean, sd=of_sd, course=among
        )
    ends_mm = float(errors.min()), float(errors.max())
    percentiles = np.percentile(
        errors, (1.0, 50.0, 99.0), overwrite_input=bool(errors.flags.owndata)
    )  # last, since it reorders the errors
    p01, p50, p99 = percentiles.tolist()
    return PlacementError(
        n=n,
        mean_mm=s.mean,
        mean_ci95_mm=of_mean,
        sd_mm=s.sd,
        sd_ci95_mm=of_sd,
        min_mm=ends_mm[0],
        max_mm=ends_mm[1],
        p01_mm=p01,
        p50_mm=p50,
        p99_mm=p99,
        within_tolerance=within.share,
        within_tolerance_ci95=within.ci95,
        within_tolerance_effective_n=within.effective_n,
        within_tolerance_ci95_note=within.ci95_note,
        cp=None if fit is None else fit.cp,
        cpk=None if fit is None else fit.cpk,
        cp_ci95=None if ends is None else ends.cp,
        cpk_ci95=None if ends is None else ends.cpk,
        ci95_note="fewer_than_20" if n < FEWEST else None,
    )


def stage_position(feeder: FeederRecords, warm_up: int, *, resolution_mm: float) -> StagePosition:
    """Return mean and sd of the stage positions from which counted cycles began."""
    positions = feeder.stage_position_mm[cycle_rows(feeder, warm_up)]
    s = spread(positions, resolution=resolution_mm)
    return StagePosition(mean_mm=s.mean, sd_mm=s.sd)
