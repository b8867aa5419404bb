"""``sweep.csv``: a row per point and feeder."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.run.product.points import product_columns
from feedsim.answers.sweep.study import Point, Swept
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.share import Share
from feedsim.quantities import Kind
from feedsim.render.csv_table import Cells, csv_table, ends
from feedsim.running.axes import Axis

_UNITS: dict[Kind, str] = {
    "length": "_mm",
    "time": "_s",
    "speed": "_mm_s",
    "acceleration": "_mm_s2",
    "rate": "_per_s",
    "share": "",
    "torque": "_n_m",
    "inertia": "_kg_m2",
    "mass": "_kg",
    "density": "_kg_m3",
    "power": "_w",
    "force": "_n",
    "angular speed": "_rpm",
}


_MARGINS = {"mm": "_mm", "%": "_percent", "mm/s^2": "_mm_s2"}


def sweep_csv(swept: Swept) -> bytes:
    """Return the table of a sweep, its columns with units in their names.

    A key that is varied and is not the line speed has a column of its own, its name that of the
    key with the unit.
    """
    others = [axis for axis in swept.axes if not axis.is_speed]
    rows = [
        dict(_row(point, feeder, number, others))
        for point in swept.points
        for number, feeder in enumerate(point.results.feeders)
    ]
    return csv_table(rows)


def _varied(point: Point, axis: Axis) -> tuple[str, float | str]:
    value = point.varied[axis.key]
    if not axis.numbers:
        return axis.key, value
    unit = _UNITS[axis.kind] if axis.kind else ""
    return axis.key + unit, axis.numbers[axis.values.index(value)]


def _row(point: Point, feeder: FeederResults, number: int, others: Sequence[Axis]) -> Cells:
    results, stops = point.results, point.results.stops
    yield "line_speed_mm_s", results.line_speed_mm_s
    yield from (_varied(point, axis) for axis in others)
    yield "feeder", number
    yield "replications", results.replications
    yield "carriers", results.carriers
    yield "accepted", int(results.accepted)
    yield "decided", int(results.decided)
    yield "complete_per_hour", results.complete.per_hour
    yield from product_columns(results)
    yield "stops", stops.count
    yield "downtime_s", stops.downtime_s
    yield "availability", stops.availability
    yield "lost_carriers", stops.lost
    yield from _placement(feeder)
    yield from _share("missed", feeder.missed)
    for cause, count in feeder.missed.by_cause.by_name.items():
        yield f"missed_{cause}", count
    yield from _share("jam_risk", feeder.jam_risk)
    for name, hazard in feeder.hazards.by_name.items():
        unit = _MARGINS.get(hazard.margin_unit or "", "")
        yield f"{name}_count", hazard.count
        yield f"{name}_margin_mean{unit}", hazard.margin_mean
        yield f"{name}_margin_sd{unit}", hazard.margin_sd
        yield f"{name}_tail_probability", hazard.tail_probability
    yield "cycle_mean_s", feeder.cycle.mean_s
    yield "cycle_use", feeder.cycle.use


def _placement(feeder: FeederResults) -> Cells:
    error = feeder.placement_error
    yield "placed", feeder.placed
    yield "placement_error_mean_mm", error.mean_mm
    yield "placement_error_sd_mm", error.sd_mm
    yield "placement_error_min_mm", error.min_mm
    yield "placement_error_max_mm", error.max_mm
    yield "placement_error_p01_mm", error.p01_mm
    yield "placement_error_p50_mm", error.p50_mm
    yield "placement_error_p99_mm", error.p99_mm
    yield "placement_error_cp", error.cp
    yield "placement_error_cpk", error.cpk
    yield from ends("placement_error_mean", error.mean_ci95_mm, "_mm")
    yield "within_tolerance", error.within_tolerance
    yield from ends("within_tolerance", error.within_tolerance_ci95)
    yield "stage_position_mean_mm", feeder.stage_position.mean_mm
    yield "stage_position_sd_mm", feeder.stage_position.sd_mm


def _share(name: str, share: Share) -> Cells:
    yield f"{name}_count", share.count
    yield f"{name}_share", share.share
    yield from ends(f"{name}_share", share.ci95)
    yield f"{name}_upper95", share.upper95
