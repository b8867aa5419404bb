"""A sweep over two axes as a page of maps for each feeder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from feedsim.answers.sweep.curves import Grid, grid_of
from feedsim.answers.sweep.layout import titled_page
from feedsim.answers.sweep.map_panels import (
    HEAT_MAPS,
    SPREAD,
    PanelPlace,
    draw_heat,
    draw_highest,
    name_cells,
)
from feedsim.answers.sweep.study import Swept
from feedsim.answers.sweep.text import subtitle_of
from feedsim.quantities import System
from feedsim.render.canvas import A4_LANDSCAPE, BLACK, one_each
from feedsim.render.fonts import width_points

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDE, _TALL = (72.0 * side for side in A4_LANDSCAPE)
_BAR, _BAR_ZONE = 9.0, 71.0  # of a colour bar, and of everything right of a panel
_TITLE = 22.0


def sweep_maps(swept: Swept, *, units: System = "metric") -> dict[str, Figure]:
    """Draw a sweep over two axes; ValueError for any other.

    The last axis runs along x, the first along y, in cells as wide as their steps. Three panels
    show the share out of tolerance, missed carriers and jam risk in colours that grow darker, with
    the acceptance figure marked on each scale; the fourth shows the highest accepted speed of each
    row, or the spread of the placement error if the last axis is not the line speed. Every panel
    outlines the accepted region; a dot marks a cell that is not decided.
    """
    feeders = len(swept.points[0].results.feeders)
    return one_each("sweep", feeders, lambda n: _figure(grid_of(swept, n, units=units), swept))


def _figure(grid: Grid, swept: Swept) -> Figure:
    subtitle = subtitle_of(swept, grid.units)
    figure = titled_page(f"{swept.title} · {grid.name}", subtitle)
    figure.set_label(
        f"{subtitle}. Maps of {grid.scale.label} against {grid.y.label}: the share out of "
        f"tolerance, missed carriers, jam risk, and the "
        f"{'highest accepted speed' if swept.by_speed else 'spread'} of each row; what is "
        f"accepted is outlined."
    )
    spaces = _spaces(grid)
    for place, space in enumerate(spaces):
        axes = figure.add_axes(
            (space.left, space.bottom, space.width, space.height), label=str(place)
        )
        if place == 3 and swept.by_speed:
            draw_highest(axes, grid, space=space)
        else:
            bar = figure.add_axes(
                (space.left + space.width + 9.0 / _WIDE, space.bottom, _BAR / _WIDE, space.height),
                label=f"scale {place}",
            )
            draw_heat(axes, bar, grid, (*HEAT_MAPS, SPREAD)[place], space=space)
        name_cells(axes, grid, name_rows=place % 2 == 0)
        if place % 2 == 0:
            axes.set_ylabel(grid.y.label)
        if place >= 2:
            axes.set_xlabel(grid.scale.label)
    _legend(figure, grid)
    return figure


def _spaces(grid: Grid) -> list[PanelPlace]:
    left = 30.0 + max(width_points(text, 8.5) for text in grid.y.texts)
    wide = 0.5 * (_WIDE - left - 2.0 * _BAR_ZONE + 4.0)
    bottom, top = 0.1 * _TALL, 0.925 * _TALL
    between = 20.0
    tall = 0.5 * (top - bottom - 2.0 * _TITLE - between)
    return [
        PanelPlace(
            (left + column * (wide + _BAR_ZONE)) / _WIDE,
            (top - _TITLE - tall - row * (tall + _TITLE + between)) / _TALL,
            wide / _WIDE,
            tall / _TALL,
            (wide, tall),
        )
        for row in (0, 1)
        for column in (0, 1)
    ]


def _legend(figure: Figure, grid: Grid) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    of = " (line as a whole)" if grid.several else ""
    handles: list[Any] = [Patch(facecolor="white", edgecolor=BLACK, linewidth=1.9)]
    labels = [f"accepted{of}"]
    if grid.undecided.any():
        dot: dict[str, Any] = {"marker": "o", "color": "white", "markeredgecolor": BLACK}
        handles.append(Line2D([], [], linestyle="none", markersize=4.0, **dot))
        labels.append("not decided: more carriers are needed to be sure at 95 %")
    if any(feeder.placed == 0 for feeder in grid.feeders):
        handles.append(Patch(facecolor="white", edgecolor="#999999", hatch="xxx", linewidth=0.0))
        labels.append("no figure")
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.024), ncols=3, fontsize=8.0)
