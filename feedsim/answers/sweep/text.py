"""A sweep as a table to read at a glance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from textwrap import wrap
from typing import Any

from feedsim.answers.limit.islands import island_words, overlooked_words
from feedsim.answers.limit.study.closed import RefusedSpeeds
from feedsim.answers.run.deciding import easiest, enough
from feedsim.answers.run.product.points import product_cells, product_heads, tells_products
from feedsim.quantities import System, display, display_unit
from feedsim.running.axes import LINE_SPEED

__all__ = ["heads", "rows_of", "sweep_text", "verdict_of"]

_FIGURES = ("mean", "sd", "in tolerance", "missed", "jam risk", "")


def sweep_text(sweep: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the table: a line per point and feeder, and up to where it is accepted.

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
        rows = [heads(sweep), *rows_of(sweep, number, units=units)]
        widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
        lines += ["", f"{feeder['name']} (placement error in {unit})"]
        for row in rows:
            cells = (cell.rjust(w) for cell, w in zip(row[:-1], widths, strict=False))
            lines.append(("  " + "  ".join(cells) + "  " + row[-1]).rstrip())
    lines += [*_products(sweep, units), *_stops(sweep, units)]
    return "\n".join([*lines, "", *wrap(verdict_of(sweep, units=units), 100), *_needed(sweep)])


def _needed(sweep: Mapping[str, Any]) -> list[str]:
    """Say how many carriers a point needs to be decided, where some are not; of the most needy."""
    points = sweep["points"]
    open_ones = [p for p in points if not (p["decided"] if p["accepted"] else p["refused"])]
    met = [row for p in open_ones if p["accepted"] for row in p["to_decide"]]
    unmet = [row for p in open_ones if not p["accepted"] for row in easiest(p["to_decide"])]
    told = (
        f"{where}: {points[0]['carriers']} carriers do not show it at 95 %; {more}."
        for where, rows in (("Accepted, not decided", met), ("Not accepted, not for sure", unmet))
        if (more := enough(rows, accepted=True))
    )
    return [line for text in told for line in wrap(text, 100)]


def _products(sweep: Mapping[str, Any], units: System) -> list[str]:
    """Return a table of products, where they say more than the feeder does."""
    points, keys = sweep["points"], [axis["key"] for axis in sweep["axes"]]
    if not tells_products(points[0]):
        return []
    rows = [(*heads(sweep)[: len(keys)], *product_heads(points[0]))]
    rows += [(*(_at(point, key, units) for key in keys), *product_cells(point)) for point in points]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    table = ("  ".join(c.rjust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return ["", "Products", *(f"  {line}" for line in table)]


def _stops(sweep: Mapping[str, Any], units: System) -> list[str]:
    """Return a table of stops, where there are any."""
    points, keys = sweep["points"], [axis["key"] for axis in sweep["axes"]]
    if not any(point["stops"]["count"] for point in points):
        return []
    names = ("stops", "downtime", "availability", "lost", "good an hour", "")
    rows = [(*heads(sweep)[: len(keys)], *names)]
    for point in points:
        stops, per_hour = point["stops"], point["complete"]["per_hour"]
        rows.append(
            (
                *(_at(point, key, units) for key in keys),
                str(stops["count"]),
                display(stops["downtime_s"], "time"),
                _share(stops["availability"]),
                str(stops.get("lost_carriers", 0)),
                _number(per_hour, 1.0, ".0f"),
                "GIVEN UP" if stops.get("gave_up") else "",
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    table = ("  ".join(c.rjust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return ["", "Stops of the line", *(f"  {line}".rstrip() for line in table)]


def heads(sweep: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the heads of the table: a column per axis, then the figures."""
    keys = [axis["key"] for axis in sweep["axes"]]
    short = [_short(key) for key in keys]
    return (*(short if len(set(short)) == len(short) else keys), *_FIGURES)


def _short(key: str) -> str:
    return "speed" if key == LINE_SPEED else ".".join(key.split(".")[-2:])


def rows_of(
    sweep: Mapping[str, Any], number: int, *, units: System = "metric"
) -> list[tuple[str, ...]]:
    """Return the cells under :func:`heads` for one feeder, a row for each point."""
    keys = [axis["key"] for axis in sweep["axes"]]
    return [_row(point, number, keys, units) for point in sweep["points"]]


def _row(
    point: Mapping[str, Any], number: int, keys: Sequence[str], units: System
) -> tuple[str, ...]:
    feeder = point["feeders"][number]
    error, factor = feeder["placement_error"], display_unit("length", units).factor
    digits = 3 if units == "metric" else 4
    return (
        *(_at(point, key, units) for key in keys),
        _number(error["mean_mm"], factor, f"+.{digits}f"),
        _number(error["sd_mm"], factor, f".{digits}f"),
        _share(error["within_tolerance"]),
        _at_most(feeder["missed"]),
        _at_most(feeder["jam_risk"]),
        _state(point),
    )


def _at(point: Mapping[str, Any], key: str, units: System) -> str:
    if key == LINE_SPEED:
        return display(point["line_speed_mm_s"], "speed", units=units)
    return str(point["varied"][key])


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
    """Say up to which speed, or with which values, the sweep is accepted."""
    keys = [axis["key"] for axis in sweep["axes"]]
    if keys == [LINE_SPEED]:
        return _verdict_of_speeds(sweep, units)
    if keys[-1] == LINE_SPEED:
        return _verdict_of_map(sweep, keys[0], units)
    points = sweep["points"]
    accepted = sum(1 for point in points if point["accepted"])
    if not accepted:
        sure = "" if all(p["refused"] for p in points) else ", not for sure at each"
        return f"Not accepted at any point{sure}."
    if len(keys) > 1:
        return f"Accepted at {accepted} of {len(points)} points."
    return f"Accepted with {keys[0]} at {', '.join(_stretches(points, keys[0]))}."


def _verdict_of_speeds(sweep: Mapping[str, Any], units: System) -> str:
    highest = sweep["highest_accepted_speed_mm_s"]
    if highest is None:
        if not sweep["points"][0]["refused"]:
            return "Not decided even at the lowest speed of the sweep: more carriers are needed."
        return "Not accepted even at the lowest speed of the sweep."
    shown = display(highest, "speed", units=units)
    below = [p for p in sweep["points"] if p["line_speed_mm_s"] <= highest]
    sure = "" if all(p["decided"] for p in below) else ", not for sure"
    speeds = [p["line_speed_mm_s"] for p in sweep["points"]]
    refused = [RefusedSpeeds(**row) for row in sweep.get("closed_form_refused", ())]
    said = [
        f"Accepted at every speed of the sweep up to {shown}{sure}.",
        island_words(speeds, [p["accepted"] for p in sweep["points"]], units=units),
        overlooked_words(refused, speeds, highest=highest, units=units),
    ]
    return " ".join(filter(None, said))


def _verdict_of_map(sweep: Mapping[str, Any], key: str, units: System) -> str:
    """Say how fast it runs with which value."""
    rows = sweep["highest_accepted"]
    speeds = [row["line_speed_mm_s"] or 0.0 for row in rows]
    if not max(speeds):
        lowest = min(p["line_speed_mm_s"] for p in sweep["points"])
        slow = [p for p in sweep["points"] if p["line_speed_mm_s"] == lowest]
        if not all(p["refused"] for p in slow):
            return "Not decided even at the lowest speed: more carriers are needed."
        return "Not accepted even at the lowest speed, whatever the value."
    best = [row["varied"][key] for row in rows if row["line_speed_mm_s"] == max(speeds)]
    where = f"{best[0]} to {best[-1]}" if len(best) > 2 else " and ".join(best)
    below = [
        p
        for p in sweep["points"]
        if p["line_speed_mm_s"] <= max(speeds) and p["varied"][key] in best
    ]
    sure = "" if all(p["decided"] for p in below) else ", not for sure"
    return (
        f"Accepted up to {display(max(speeds), 'speed', units=units)} with {key} at {where}{sure}; "
        f"each value has its own highest speed."
    )


def _stretches(points: Sequence[Mapping[str, Any]], key: str) -> Iterator[str]:
    """Say which values in a row are accepted."""
    for accepted, group in groupby(points, key=lambda point: point["accepted"]):
        values = [str(point["varied"][key]) for point in group]
        if accepted:
            yield f"{values[0]} to {values[-1]}" if len(values) > 1 else values[0]
