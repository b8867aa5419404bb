"""``report.html`` of a sweep: one file, no outside address, readable on paper."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from typing import Any

from feedsim.metrics.machine_settings import MachineSettings
from feedsim.output.review_text import settings_line
from feedsim.output.sweep_text import heads, rows_of, verdict_of
from feedsim.quantities import System, display, display_unit

__all__ = ["sweep_report"]


def sweep_report(
    sweep: Mapping[str, Any],
    *,
    figures: Mapping[str, bytes],
    settings: Sequence[MachineSettings],
    units: System = "metric",
) -> str:
    """Return the report as HTML; every text from the scenario is escaped.

    Parameters
    ----------
    sweep : mapping
        As ``sweep.json`` holds it.
    figures : mapping of str to bytes
        PNG images, by name.
    settings : sequence of MachineSettings
        One for each feeder.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    from importlib.resources import files

    from jinja2 import Environment, StrictUndefined

    text = files("feedsim.output").joinpath("sweep_report.html").read_text("utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    points, unit = sweep["points"], display_unit("length", units).label
    stopper = _first_refused(points)
    return page.from_string(text).render(
        title=sweep["title"],
        feedsim=sweep["feedsim"],
        answer=verdict_of(sweep, units=units),
        stopped_at=display(stopper["line_speed_mm_s"], "speed", units=units) if stopper else "",
        reasons=stopper["not_accepted_because"] if stopper else [],
        sureness=_sureness(points),
        figures=[
            {"alt": f"Overview {name} of the sweep", "png": base64.b64encode(png).decode()}
            for name, png in figures.items()
        ],
        heads=_heads(sweep, unit),
        feeders=[
            {
                "name": feeder["name"],
                "rows": rows_of(sweep, number, units=units),
                "settings": settings_line(settings[number], units=units),
            }
            for number, feeder in enumerate(points[0]["feeders"])
        ],
        carriers=points[0]["carriers"] // points[0]["replications"],
        replications=points[0]["replications"],
        seed=points[0]["seed"],
        scenario=json.dumps(sweep["scenario"], indent=2, ensure_ascii=False),
    )


def _heads(sweep: Mapping[str, Any], unit: str) -> list[str]:
    mean = len(sweep["axes"])
    names = list(heads(sweep))
    names[mean : mean + 2] = [f"error, mean ({unit})", f"sd ({unit})"]
    names[-1] = "whole line"
    return names


def _first_refused(points: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """Return the slowest point that is not accepted."""
    return next((point for point in points if not point["accepted"]), None)


def _sureness(points: Sequence[Mapping[str, Any]]) -> str:
    open_ones = sum(1 for point in points if not point["decided"] and not point["refused"])
    if not open_ones:
        return (
            "Every point is decided: its 95 % intervals lie on one side of the acceptance figures."
        )
    return (
        f"{open_ones} of {len(points)} points are not decided at 95 %: it would take more "
        "carriers to be sure of them."
    )
