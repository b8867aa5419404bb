"""A sweep as a table to read at a glance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from feedsim.answers.limit.islands import comes_and_goes
from feedsim.answers.run.deciding import easiest, enough
from feedsim.answers.run.product.points import product_cells, product_heads, tells_products
from feedsim.answers.run.stops_text import STOP_HEADS, stop_cells
from feedsim.answers.sweep.study import HighestAccepted, Swept
from feedsim.metrics.acceptance import ToDecide
from feedsim.metrics.percent import DASH, percent
from feedsim.metrics.results import Results
from feedsim.metrics.stops import LineStops
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, display, display_unit
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import counted, length_number, seldom, speed
from feedsim.running.axes import LINE_SPEED, Axis
from feedsim.running.point import Point

_FIGURES = ("mean", "sd", "in tolerance", "missed", "jam risk")


def sweep_text(swept: Swept, *, units: System = "metric") -> str:
    """Return the table, a line per point and feeder, and the verdict."""
    lines = [swept.title]
    unit = display_unit("length", units).label
    for number, feeder in enumerate(swept.points[0].results.feeders):
        lines += ["", f"{feeder.name} (placement error, {unit})"]
        rows = [heads(swept), *rows_of(swept, number, units=units)]
        lines += table(rows, "r" * (len(rows[0]) - 1) + "l", keys=len(swept.axes))
    lines += [*_products(swept, units), *_stops(swept, units)]
    return "\n".join([*lines, "", *wrapped(verdict_of(swept, units=units)), *_needed(swept)])


def _needed(swept: Swept) -> list[str]:
    """Say how many carriers would decide the undecided points, from the one that needs most."""
    points = [point.results for point in swept.points]
    open_ones = [p for p in points if p.sureness is Sureness.OPEN]
    met = [p.to_decide for p in open_ones if p.accepted]
    unmet = [easiest(p.to_decide) for p in open_ones if not p.accepted]
    many = points[0].carriers
    shown = f"{counted(many, 'carrier')} {'does' if many == 1 else 'do'} not show it at 95 %"
    told = (
        f"{where}: {shown}; {more}."
        for where, rows in (("Accepted so far", met), ("Not accepted so far", unmet))
        if (more := _more(rows, points[0].replications))
    )
    return [line for text in told for line in wrapped(text)]


def _more(points: Sequence[Sequence[ToDecide]], replications: int) -> str:
    """Say how many carriers decide all decidable points, and how many points are undecidable."""
    stuck = [rows for rows in points if any(row.carriers is None for row in rows)]
    can = [rows for rows in points if rows not in stuck]
    rows = [row for rows in can or stuck for row in rows]
    words = enough(rows, accepted=True, replications=replications)
    if not (can and stuck):
        return words
    return f"{words}, but not at {counted(len(stuck), 'point')} with a share right at its limit"


def _products(swept: Swept, units: System) -> list[str]:
    """Return a table of products, if they say more than the feeder does."""
    first = swept.points[0].results
    if not tells_products(first):
        return []
    rows = [(*key_heads(swept), *product_heads(first))]
    rows += [(*_ats(swept, p, units), *product_cells(p.results)) for p in swept.points]
    return ["", "Products", *table(rows, "r", keys=len(swept.axes))]


def _stops(swept: Swept, units: System) -> list[str]:
    if not any(point.results.stops.count for point in swept.points):
        return []
    rows = [(*key_heads(swept), *STOP_HEADS, "")]
    for point in swept.points:
        stops = point.results.stops
        given_up = "GIVEN UP" if isinstance(stops, LineStops) and stops.gave_up else ""
        rows.append((*_ats(swept, point, units), *stop_cells(point.results), given_up))
    return [
        "",
        "Stops of the line",
        *table(rows, "r" * (len(rows[0]) - 1) + "l", keys=len(swept.axes)),
    ]


def key_heads(swept: Swept) -> tuple[str, ...]:
    """Return the heads of the columns that define points, one per axis."""
    keys = tuple(axis.key for axis in swept.axes)
    short = tuple("speed" if k == LINE_SPEED else ".".join(k.split(".")[-2:]) for k in keys)
    return short if len(set(short)) == len(short) else keys


def heads(swept: Swept) -> tuple[str, ...]:
    """Return the heads of the table: a column per axis, then the figures."""
    whole_line = "the whole line" if len(swept.points[0].results.feeders) > 1 else ""
    return (*key_heads(swept), *_FIGURES, whole_line)


def rows_of(swept: Swept, number: int, *, units: System = "metric") -> list[tuple[str, ...]]:
    """Return the cells under :func:`heads` for one feeder, a row for each point."""
    rows = []
    for point in swept.points:
        feeder = point.results.feeders[number]
        error = feeder.placement_error
        rows.append(
            (
                *_ats(swept, point, units),
                _length(error.mean_mm, units, sign=True),
                _length(error.sd_mm, units),
                percent(error.within_tolerance, error.within_tolerance_ci95),
                *(
                    seldom(share.share, share.ci95, share.upper95)
                    for share in (feeder.missed, feeder.jam_risk)
                ),
                _state(point.results),
            )
        )
    return rows


def _ats(swept: Swept, point: Point, units: System) -> list[str]:
    at = speed(point.results.line_speed_mm_s, units)
    return [at if axis.is_speed else _told(swept, axis, point, units) for axis in swept.axes]


def _told(swept: Swept, axis: Axis, point: Point | HighestAccepted, units: System) -> str:
    """Return the value of a key as typed, or in other units on request."""
    value = point.varied[axis.key]
    if units == swept.units or axis.kind is None or not axis.numbers:
        return value
    return display(axis.numbers[axis.values.index(value)], axis.kind, units=units)


def _length(value: float | None, units: System, *, sign: bool = False) -> str:
    return DASH if value is None else length_number(value, units, sign=sign)


def _state(results: Results) -> str:
    if results.accepted:
        return "ACCEPTED" if results.decided else "accepted so far"
    return "NOT ACCEPTED" if results.refused else "not accepted so far"


def verdict_of(swept: Swept, *, units: System) -> str:
    """Say up to which speed, or with which values, the sweep is accepted."""
    if swept.by_speed_alone:
        return _verdict_of_speeds(swept, units)
    if swept.by_speed:
        return _verdict_of_map(swept, units)
    points = [point.results for point in swept.points]
    accepted = sum(1 for results in points if results.accepted)
    if not accepted:
        sure = "" if all(results.refused for results in points) else " so far"
        return f"Not accepted at any point{sure}."
    sure = "" if all(results.decided for results in points if results.accepted) else " so far"
    if len(swept.axes) > 1:
        return f"Accepted{sure} at {accepted} of {len(points)} points."
    (axis,) = swept.axes
    return f"Accepted{sure} with {axis.key} at {', '.join(_stretches(swept, axis, units))}."


def subtitle_of(swept: Swept, units: System) -> str:
    """Say in one line what a sweep found and ran."""
    first = swept.points[0].results
    per = f"{counted(first.carriers, 'carrier')} each"
    if not swept.by_speed:
        per = f"{speed(first.line_speed_mm_s, units)}, {per}"
    return f"{verdict_of(swept, units=units).removesuffix('.')} · {per}"


def _verdict_of_speeds(swept: Swept, units: System) -> str:
    highest = swept.highest_accepted_speed_mm_s
    points = [point.results for point in swept.points]
    if highest is None:
        if not points[0].refused:
            return "Not decided even at the lowest speed of the sweep: more carriers are needed."
        return "Not accepted even at the lowest speed of the sweep."
    shown = speed(highest, units)
    below = [p for p in points if p.line_speed_mm_s <= highest]
    sure = "" if all(p.decided for p in below) else " so far"
    said = [
        f"Accepted{sure} at every speed of the sweep up to {shown}.",
        comes_and_goes(
            points,
            swept.closed_form_refused,
            highest=highest,
            looked_to=swept.closed_form_complete_to_mm_s,
            units=units,
        ),
    ]
    return " ".join(filter(None, said))


def _verdict_of_map(swept: Swept, units: System) -> str:
    """Say how fast the line runs with which value."""
    axis = swept.axes[0]
    fastest = max(row.line_speed_mm_s or 0.0 for row in swept.highest_accepted)
    if not fastest:
        lowest = min(p.results.line_speed_mm_s for p in swept.points)
        slow = [p for p in swept.points if p.results.line_speed_mm_s == lowest]
        if not all(p.results.refused for p in slow):
            return "Not decided even at the lowest speed: more carriers are needed."
        return "Not accepted even at the lowest speed, whatever the value."
    fast = [row for row in swept.highest_accepted if row.line_speed_mm_s == fastest]
    best = [_told(swept, axis, row, units) for row in fast]
    where = f"{best[0]} to {best[-1]}" if len(best) > 2 else " and ".join(best)
    below = [
        p.results
        for p in swept.points
        if p.results.line_speed_mm_s <= fastest and p.varied in [row.varied for row in fast]
    ]
    sure = "" if all(p.decided for p in below) else " so far"
    return (
        f"Accepted{sure} up to {speed(fastest, units)} with {axis.key} at {where}; "
        f"each value has its own highest speed."
    )


def _stretches(swept: Swept, axis: Axis, units: System) -> Iterator[str]:
    """Say which values are accepted, consecutive numbers together."""
    for accepted, group in groupby(swept.points, key=lambda point: point.results.accepted):
        values = [_told(swept, axis, point, units) for point in group]
        if accepted and axis.numbers and len(values) > 1:
            yield f"{values[0]} to {values[-1]}"
        elif accepted:
            yield from values
