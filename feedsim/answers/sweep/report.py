"""``report.html`` of a sweep: one file, no outside address, readable on paper."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.answers.check.text import settings_line
from feedsim.answers.sweep import words
from feedsim.answers.sweep.curves import what_fails
from feedsim.answers.sweep.text import heads, rows_of, verdict_of
from feedsim.metrics.machine_settings import MachineSettings
from feedsim.quantities import System, display, display_unit
from feedsim.running.axes import LINE_SPEED
from feedsim.settings.limits import TOGETHER, SpeedLimit

__all__ = ["sweep_report"]

_MOST_ROWS = 40  # of the table of highest speeds
_SAME_MM, _SAME_MS = 1e-6, 1e-6


def sweep_report(
    sweep: Mapping[str, Any],
    *,
    figures: Mapping[str, bytes],
    settings: Sequence[MachineSettings],
    limits: Sequence[Sequence[SpeedLimit]],
    units: System = "metric",
) -> str:
    """Return the report as HTML; every text from the scenario is escaped.

    Parameters
    ----------
    sweep : mapping
        As ``sweep.json`` holds it, over one or two axes.
    figures : mapping of str to bytes
        PNG images, by name.
    settings : sequence of MachineSettings
        One for each feeder, of the scenario as given.
    limits : sequence of sequence of SpeedLimit
        Of the scenario as given, for each feeder, the lowest first.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    from importlib.resources import files

    from jinja2 import Environment, StrictUndefined

    text = files("feedsim.answers.sweep").joinpath("report.html").read_text("utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return page.from_string(text).render(
        **_answer(sweep, limits, units),
        figures=[
            {"name": name, "png": base64.b64encode(png).decode()} for name, png in figures.items()
        ],
        is_map=len(sweep["axes"]) == 2,
        by_speed=_is_by_speed(sweep),
        heads=_heads(sweep, units),
        keys=len(sweep["axes"]),
        feeders=[
            {
                "name": feeder["name"],
                "rows": rows_of(sweep, number, units=units),
                "settings": settings_line(settings[number], units=units),
                "others": list(_other_settings(sweep, number, units)),
                "limits": _limit_rows(limits[number], units),
                "binding": words.binding(limits[number], units),
            }
            for number, feeder in enumerate(sweep["points"][0]["feeders"])
        ],
        accepted=[point["accepted"] for point in sweep["points"]],
        varied=[axis["key"] for axis in sweep["axes"] if axis["key"] != LINE_SPEED],
        scenario=json.dumps(sweep["scenario"], indent=2, ensure_ascii=False),
    )


def _answer(
    sweep: Mapping[str, Any], limits: Sequence[Sequence[SpeedLimit]], units: System
) -> dict[str, Any]:
    points = sweep["points"]
    alone = _is_by_speed(sweep)
    stopper = words.first_refused(points)
    shows_reasons = stopper is not None and (alone or len(points) == 1)
    return {
        "title": sweep["title"],
        "feedsim": sweep["feedsim"],
        "question": words.question(sweep, units),
        "answer": verdict_of(sweep, units=units),
        "worth": words.worth(sweep),
        "stopped_at": words.name_of(stopper, units) if stopper else "",
        "goes_slower": sweep["highest_accepted_speed_mm_s"] is not None,
        "reasons": stopper["not_accepted_because"] if stopper and shows_reasons else [],
        "refusals": "" if alone else words.refusals(points),
        "failing": words.failing_values(sweep),
        "highest": _highest(sweep, units),
        "sureness": list(words.sureness(sweep, units)),
        "agreement": words.agreement(sweep, limits, units),
        "carriers": points[0]["carriers"] // points[0]["replications"],
        "replications": points[0]["replications"],
        "seed": points[0]["seed"],
    }


def _is_by_speed(sweep: Mapping[str, Any]) -> bool:
    """Tell whether the line speed alone is swept."""
    return [axis["key"] for axis in sweep["axes"]] == [LINE_SPEED]


def _heads(sweep: Mapping[str, Any], units: System) -> list[str]:
    mean, unit = len(sweep["axes"]), display_unit("length", units).label
    names = list(heads(sweep))
    names[mean : mean + 2] = [f"error, mean ({unit})", f"sd ({unit})"]
    names[-1] = "whole line"
    return names


def _highest(sweep: Mapping[str, Any], units: System) -> list[tuple[str, str, str, str]]:
    """Return a row for each value of a key that is crossed with the line speed.

    The value, its highest accepted speed, the products an hour there, and what fails beyond.
    Empty for other sweeps, and where there are more than fit into an answer.
    """
    rows = sweep.get("highest_accepted", [])
    if len(rows) > _MOST_ROWS:
        return []
    columns = len(sweep["points"]) // max(1, len(rows))
    shown = []
    for place, row in enumerate(rows):
        points = sweep["points"][place * columns : (place + 1) * columns]
        (value,) = row["varied"].values()
        best = [p for p in points if p["line_speed_mm_s"] == row["line_speed_mm_s"]]
        stopper = words.first_refused(points)
        per_hour = best[0]["complete"]["per_hour"] if best else None
        shown.append(
            (
                str(value),
                display(best[0]["line_speed_mm_s"], "speed", units=units) if best else "none",
                "-" if per_hour is None else f"{per_hour:,.0f}",
                ", ".join(what_fails(stopper)) if stopper else "nothing, as far as was swept",
            )
        )
    return shown


def _limit_rows(limits: Sequence[SpeedLimit], units: System) -> list[tuple[str, str, str]]:
    """Return mechanism, acceptance figure and speed, the binding one first, then all together."""
    alone = [limit for limit in limits if limit.mechanism != TOGETHER]
    together = [limit for limit in limits if limit.mechanism == TOGETHER]
    return [
        (x.mechanism, words.FIGURES[x.figure], words.speed_words(x.speed_mm_s, units))
        for x in [*alone, *together]
    ]


def _other_settings(sweep: Mapping[str, Any], number: int, units: System) -> Iterator[str]:
    """Say which settings differ between the points, and from where to where."""
    found = [point["feeders"][number]["settings"] for point in sweep["points"]]
    for side in ("engage", "disengage"):
        values = [one[f"{side}_distance_mm"] for one in found]
        if max(values) - min(values) > _SAME_MM:
            ends = (display(v, "length", units=units, digits=6) for v in (min(values), max(values)))
            yield f"{side} distance {' to '.join(ends)}"
        leads = [one[f"{side}_lead_ms"] for one in found]
        if max(leads) - min(leads) > _SAME_MS:
            yield f"{side} lead {min(leads):.4g} to {max(leads):.4g} ms"
