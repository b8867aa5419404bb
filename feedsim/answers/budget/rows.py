"""``budget.csv``: a row per speed, feeder and source."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.answers.budget.study.budget import Compared, Point, Weighed
from feedsim.metrics.intervals import Interval
from feedsim.render.csv_table import csv_table

_Cell = str | float | int | None


def budget_csv(points: Sequence[Point]) -> bytes:
    """Return the budgets as a table, its columns with units in their names.

    A source is a length or a time, so its uncertainty and its sensitivity each have two columns,
    one of them empty. Figures of the whole budget are repeated in each of its rows. A budget
    without sources has one row, with the columns of the source empty.
    """
    rows = [
        dict(_row(point.line_speed_mm_s, number, one, source))
        for point in points
        for number, one in enumerate(point.feeders)
        for source in one.budget.sources or (None,)
    ]
    return csv_table(rows)


def _row(
    speed_mm_s: float, number: int, compared: Compared, source: Weighed | None
) -> Iterator[tuple[str, _Cell]]:
    budget, simulated = compared.budget, compared.simulated
    yield "line_speed_mm_s", speed_mm_s
    yield "feeder", number
    yield from _of_source(source)
    yield "contribution_mm", source.contribution_mm if source else None
    yield "share", source.share if source else None
    yield "combined_sd_mm", budget.combined_sd_mm
    yield "placed", simulated.placed
    yield "simulated_sd_mm", simulated.sd_mm
    yield from _ends("simulated_sd", simulated.sd_ci95_mm, "_mm")
    yield "ratio", compared.ratio
    yield from _ends("ratio", compared.ratio_ci95, "")
    yield "agreement", compared.agreement
    yield "mean_mm", budget.mean_mm
    yield "simulated_mean_mm", simulated.mean_mm
    yield from _ends("simulated_mean", simulated.mean_ci95_mm, "_mm")
    yield "within_tolerance", budget.within_tolerance
    yield "doubts", " ".join(doubt.kind for doubt in compared.doubts)


def _of_source(source: Weighed | None) -> Iterator[tuple[str, _Cell]]:
    for name in ("name", "side", "cause", "distribution"):
        yield ("source" if name == "name" else name), getattr(source, name) if source else None
    figures = {
        "half_width": source.half_width if source else None,
        "standard_uncertainty": source.standard_uncertainty if source else None,
    }
    for name, value in figures.items():
        for unit in ("mm", "s"):
            yield f"{name}_{unit}", value if source and source.unit == unit else None
    for unit in ("mm", "s"):
        here = source.sensitivity_mm_per_unit if source and source.unit == unit else None
        yield f"sensitivity_mm_per_{unit}", here


def _ends(name: str, interval: Interval | None, unit: str) -> Iterator[tuple[str, _Cell]]:
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high
