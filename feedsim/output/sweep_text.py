"""A sweep as a table to read at a glance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from feedsim.quantities import System, display, display_unit

__all__ = ["HEAD", "rows_of", "sweep_text", "verdict_of"]

HEAD = ("speed", "mean", "sd", "in tolerance", "missed", "jam risk", "")


def sweep_text(sweep: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the table: a line per point and feeder, and the highest accepted speed.

    Parameters
    ----------
    sweep : mapping
        As ``sweep.json`` holds it.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    points: list[dict[str, Any]] = sweep["points"]
    lines = [str(sweep["title"])]
    for number, feeder in enumerate(points[0]["feeders"]):
        unit = display_unit("length", units).label
        rows = [HEAD, *rows_of(points, number, units=units)]
        widths = [max(len(row[i]) for row in rows) for i in range(len(HEAD))]
        lines += ["", f"{feeder['name']} (placement error in {unit})"]
        for row in rows:
            cells = (cell.rjust(w) for cell, w in zip(row[:-1], widths, strict=False))
            lines.append(("  " + "  ".join(cells) + "  " + row[-1]).rstrip())
    return "\n".join([*lines, "", verdict_of(sweep, units=units)])


def rows_of(
    points: Sequence[Mapping[str, Any]], number: int, *, units: System = "metric"
) -> list[tuple[str, ...]]:
    """Return the cells under ``HEAD`` for one feeder, a row for each point."""
    return [_row(point, number, units) for point in points]


def _row(point: Mapping[str, Any], number: int, units: System) -> tuple[str, ...]:
    feeder = point["feeders"][number]
    error, factor = feeder["placement_error"], display_unit("length", units).factor
    digits = 3 if units == "metric" else 4
    return (
        display(point["line_speed_mm_s"], "speed", units=units),
        _number(error["mean_mm"], factor, f"+.{digits}f"),
        _number(error["sd_mm"], factor, f".{digits}f"),
        _share(error["within_tolerance"]),
        _at_most(feeder["missed"]),
        _at_most(feeder["jam_risk"]),
        _state(point),
    )


def _number(value: float | None, factor: float, form: str) -> str:
    return "-" if value is None else format(value * factor, form)


def _share(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.4g} %"


def _at_most(share: Mapping[str, Any]) -> str:
    if share["upper95"] is not None:
        return f"none (< {100.0 * share['upper95']:.2g} %)"
    return _share(share["share"])


def _state(point: Mapping[str, Any]) -> str:
    if point["accepted"]:
        return "accepted" if point["decided"] else "accepted, not decided"
    return "NOT ACCEPTED" if point["refused"] else "NOT ACCEPTED, not for sure"


def verdict_of(sweep: Mapping[str, Any], *, units: System = "metric") -> str:
    """Say up to which speed the sweep is accepted."""
    highest = sweep["highest_accepted_speed_mm_s"]
    if highest is None:
        return "Not accepted even at the lowest speed of the sweep."
    shown = display(highest, "speed", units=units)
    return f"Accepted at every speed of the sweep up to {shown}."
