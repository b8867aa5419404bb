"""``sweep.csv``: a row per point and feeder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.answers.run.product.points import product_columns
from feedsim.metrics.plain import Plain
from feedsim.quantities import Kind
from feedsim.render.csv_table import csv_table
from feedsim.running.axes import Axis

__all__ = ["sweep_csv"]

_ERROR = ("mean_mm", "sd_mm", "min_mm", "max_mm", "p01_mm", "p50_mm", "p99_mm", "cp", "cpk")
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


def sweep_csv(points: Sequence[Mapping[str, Plain]], *, axes: Sequence[Axis]) -> bytes:
    """Return the table of a sweep, its columns with units in their names.

    Parameters
    ----------
    points : sequence of mapping
        The points of ``sweep.json``, in order.
    axes : sequence of Axis
        What differs between them. A key that is not the line speed has a column of its own, its
        name that of the key with the unit.
    """
    others = [axis for axis in axes if not axis.is_speed]
    rows = [
        dict(_row(point, feeder, number, others))
        for point in points
        for number, feeder in enumerate(_feeders(point))
    ]
    return csv_table(rows)


def _feeders(point: Mapping[str, Any]) -> list[dict[str, Any]]:
    return list(point["feeders"])


def _varied(point: Mapping[str, Any], axis: Axis) -> tuple[str, float | str]:
    value = point["varied"][axis.key]
    if not axis.numbers:
        return axis.key, value
    unit = _UNITS[axis.kind] if axis.kind else ""
    return axis.key + unit, axis.numbers[axis.values.index(value)]


def _row(
    point: Mapping[str, Any], feeder: Mapping[str, Any], number: int, others: Sequence[Axis]
) -> Iterator[tuple[str, Any]]:
    yield "line_speed_mm_s", point["line_speed_mm_s"]
    yield from (_varied(point, axis) for axis in others)
    yield "feeder", number
    yield "replications", point["replications"]
    yield "carriers", point["carriers"]
    yield "accepted", int(point["accepted"])
    yield "decided", int(point["decided"])
    yield "complete_per_hour", point["complete"]["per_hour"]
    yield from product_columns(point)
    stops = point["stops"]
    yield "stops", stops["count"]
    yield "downtime_s", stops["downtime_s"]
    yield "availability", stops["availability"]
    yield "lost_carriers", stops.get("lost_carriers", 0)
    error = feeder["placement_error"]
    yield "placed", feeder["placed"]
    for name in _ERROR:
        yield f"placement_error_{name}", error[name]
    yield from _interval("placement_error_mean", error["mean_ci95_mm"], "_mm")
    yield "within_tolerance", error["within_tolerance"]
    yield from _interval("within_tolerance", error["within_tolerance_ci95"])
    yield "stage_position_mean_mm", feeder["stage_position"]["mean_mm"]
    yield "stage_position_sd_mm", feeder["stage_position"]["sd_mm"]
    yield from _share("missed", feeder["missed"])
    for cause, count in feeder["missed"]["by_cause"].items():
        yield f"missed_{cause}", count
    yield from _share("jam_risk", feeder["jam_risk"])
    for name, hazard in feeder["hazards"].items():
        unit = {"mm": "_mm", "%": "_percent", "mm/s^2": "_mm_s2"}.get(hazard["margin_unit"], "")
        yield f"{name}_count", hazard["count"]
        yield f"{name}_margin_mean{unit}", hazard["margin_mean"]
        yield f"{name}_margin_sd{unit}", hazard["margin_sd"]
        yield f"{name}_tail_probability", hazard["tail_probability"]
    yield "cycle_mean_s", feeder["cycle"]["mean_s"]
    yield "cycle_use", feeder["cycle"]["use"]


def _share(name: str, share: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    yield f"{name}_count", share["count"]
    yield f"{name}_share", share["share"]
    yield from _interval(f"{name}_share", share["ci95"])
    yield f"{name}_upper95", share["upper95"]


def _interval(name: str, interval: Sequence[float] | None, unit: str = "") -> Iterator[Any]:
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high
