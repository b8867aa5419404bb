"""Places of a sweep's points in its pictures, so that a report can link to their numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from feedsim.answers.line import Line
from feedsim.answers.sweep.scale import scale_of
from feedsim.answers.sweep.study import SweepPlan, Swept
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.files.new_files import Content
from feedsim.quantities import System
from feedsim.running.axes import changed
from feedsim.running.point import Point

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST = 400
"""More points than this have no areas: they would be too small to click."""
MOST_WATCHED = 40
"""Nobody would watch each of more points."""

_WORTH = {
    "first_miss": "the first carrier that is missed",
    "first_hazard": "the first cycle with a hazard",
    "": "the first carriers: none missed, no hazard",
}


class Area(NamedTuple):
    """A point in a picture: from the left, from the top, width and height, shares of the page."""

    feeder: int
    point: int
    x: float
    y: float
    width: float
    height: float


class Picture(NamedTuple):
    """A picture of a report: its description, its PNG image, and its areas."""

    seen: str
    png: bytes
    areas: tuple[Area, ...] = ()


def areas_of(swept: Swept, name: str, figure: Figure, *, units: System) -> tuple[Area, ...]:
    """Return the areas of a figure, by its file name without ending."""
    count = len(swept.points)
    if count > _MOST:
        return ()
    kind, _, suffix = name.partition("-")
    feeder = int(suffix or 0)
    *_, last = (scale_of(axis, units) for axis in swept.axes)
    if len(swept.axes) > 1:
        rows = scale_of(swept.axes[0], units)
        boxes = [
            (row * len(last.at) + column, (axes, x, y))
            for axes in figure.axes
            if not str(axes.get_label()).startswith("scale")
            for row, y in enumerate(zip(rows.edges[:-1], rows.edges[1:], strict=True))
            for column, x in enumerate(zip(last.edges[:-1], last.edges[1:], strict=True))
        ]
        return tuple(Area(feeder, at, *_box(figure, *where)) for at, where in boxes)
    if kind == "rows":
        left, fan = figure.axes
        step = -(-count // len(left.get_yticks()))
        ends = left.get_position().x0, fan.get_position().x1
        return tuple(
            Area(feeder, row * step, ends[0], y, ends[1] - ends[0], height)
            for row in range(len(left.get_yticks()))
            for _, y, _, height in [_box(figure, left, left.get_xlim(), (row - 0.1, row + 0.9))]
        )
    columns: dict[float, list[Axes]] = {}
    for axes in figure.axes:
        columns.setdefault(round(axes.get_position().x0, 3), []).append(axes)
    areas = []
    for stack in columns.values():
        low = min(axes.get_position().y0 for axes in stack)
        high = max(axes.get_position().y1 for axes in stack)
        for point, x in enumerate(zip(*last.cells, strict=True)):
            left_end, _, wide, _ = _box(figure, stack[0], x, stack[0].get_ylim())
            areas.append(Area(feeder, point, left_end, 1.0 - high, wide, high - low))
    return tuple(areas)


def _box(
    figure: Figure, axes: Axes, x: tuple[float, float], y: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Return left, top, width and height of a part of some axes, cut at their ends."""
    within = axes.get_position()
    corners = axes.transData.transform([(x[0], y[0]), (x[1], y[1])])
    corners = corners / (figure.bbox.width, figure.bbox.height)
    left, right = np.clip(np.sort(corners[:, 0]), within.x0, within.x1).tolist()
    low, high = np.clip(np.sort(corners[:, 1]), within.y0, within.y1).tolist()
    return left, 1.0 - high, right - left, high - low


def worth_watching(point: Point) -> tuple[str, str]:
    """Return what to watch at a point: an argument of ``rehearse``, or none, and words."""
    feeders = point.results.feeders
    missed = any(feeder.missed.count for feeder in feeders)
    at_risk = any(feeder.jam_risk.count for feeder in feeders)
    what = "first_miss" if missed else "first_hazard" if at_risk else ""
    return what, _WORTH[what]


def has_pages(points: int) -> None:
    """Refuse (FeedsimError) pages of more points than :data:`MOST_WATCHED`."""
    if points > MOST_WATCHED:
        allowed = f"a sweep of at most {MOST_WATCHED} points"
        raise FeedsimError(Fault(argument("pages"), found=f"{points} points", allowed=allowed))


def page_of(place: int) -> str:
    """Return the name of the file that plays a point."""
    return f"point-{place}.html"


def point_pages(swept: Swept, *, units: System) -> dict[str, Content]:
    """Return a page for each point, by its file's name, around what to watch there.

    With replications it plays the first of them, in which there may be nothing to watch.
    """
    from feedsim.answers.rehearse.answer import rehearse

    pages: dict[str, Content] = {}
    for place, changes in enumerate(SweepPlan(swept.scenario, swept.axes, 1).points):
        line = Line(changed(swept.scenario, changes), swept.title, swept.units)
        what, _ = worth_watching(swept.points[place])
        wanted: dict[str, Any] = {what: True} if what else {}
        try:
            page = rehearse(line, **wanted)
        except FeedsimError:
            page = rehearse(line)
        pages[page_of(place)] = page.html(units=units).encode()
    return pages
