"""Panels of a map: a figure in each cell, and the highest accepted speed of each row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.sweep.curves import Grid, outline, shown_ticks, what_fails
from feedsim.answers.sweep.layout import SMALL
from feedsim.answers.sweep.scale import every, round_numbers
from feedsim.answers.sweep.study import highest_accepted
from feedsim.arrays import Floats
from feedsim.metrics.feeder_results import FeederResults
from feedsim.quantities import display_unit
from feedsim.render.canvas import BLACK, GREY
from feedsim.render.fonts import width_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import QuadMesh
    from matplotlib.colors import Normalize


COLOURS = "cividis_r"
"""Even in lightness, and the same for people who see two colours: Nuñez, Anderton and Renslow,
"Optimizing colormaps with consideration for color vision deficiency", PLoS ONE 13, 2018 (from
memory)."""

_LOWEST = 1e-6
_OUTLINE = (("white", 1.8), (BLACK, 1.0))  # in widths of the line
_CONTRAST = 1.1  # of the largest and smallest value of a scale that does not begin at 0
_MOST_X, _MOST_Y = 11, 14
_MOST_LETTERS = 46  # of words below a panel


@dataclass(frozen=True, slots=True)
class PanelPlace:
    """A panel's place, as parts of the figure, and its size (1/72 inch)."""

    left: float
    bottom: float
    width: float
    height: float
    points: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Heat:
    """One figure of a map.

    ``get``: the figures of a feeder → a share; of ``SPREAD``: a length (mm). ``limit``: the grid →
    the acceptance figure, as the largest share; None for none.
    """

    title: str
    get: Callable[[FeederResults], float | None]
    limit: Callable[[Grid], float] | None


def _outside(feeder: FeederResults) -> float | None:
    within = feeder.placement_error.within_tolerance
    return None if within is None else 1.0 - within


HEAT_MAPS = (
    Heat("Out of tolerance", _outside, lambda grid: 1.0 - grid.criteria.within_tolerance),
    Heat("Missed carriers", lambda f: f.missed.share, lambda grid: grid.criteria.missed),
    Heat("Jam risk", lambda f: f.jam_risk.share, lambda grid: grid.criteria.jam_risk),
)
SPREAD = Heat("Placement error, sd", lambda f: f.placement_error.sd_mm, None)


def draw_heat(axes: Axes, bar: Axes, grid: Grid, heat: Heat, *, space: PanelPlace) -> None:
    """Draw one figure in colours, with its scale, the accepted region and undecided cells."""
    from matplotlib import colormaps

    cells = grid.cells(heat.get)
    rows, columns = grid.shape
    shown, norm, title = _scaled(grid, heat, cells)
    colours = colormaps[COLOURS].with_extremes(under="white")
    axes.patch.set_hatch("xxx")
    axes.patch.set_edgecolor("#999999")
    edges = grid.scale.edges, grid.y.edges
    mesh = axes.pcolormesh(*edges, np.ma.masked_invalid(shown), cmap=colours, norm=norm)
    mesh.set_gid("cells")
    _bar(axes, bar, grid, heat, mesh=mesh)
    cell = min(space.points[0] / columns, space.points[1] / rows)
    _outline(axes, grid, cell)
    _dots(axes, grid, cell)
    _head(axes, title)


def _head(axes: Axes, title: str) -> None:
    look: dict[str, Any] = {"fontsize": 9.0, "fontweight": "bold"}
    look |= {"xycoords": "axes fraction", "textcoords": "offset points"}
    axes.annotate(title, (0.0, 1.0), (0.0, 6.0), **look)


def _scaled(grid: Grid, heat: Heat, cells: Floats) -> tuple[Floats, Normalize, str]:
    """Return the values drawn, their scale and the title."""
    from matplotlib.colors import LogNorm, Normalize

    if heat.limit is None:
        unit = display_unit("length", grid.units)
        cells = unit.factor * cells
        known = cells[~np.isnan(cells)]
        low, high = (known.min(), known.max()) if len(known) else (0.0, 1.0)
        ends = (low if high > _CONTRAST * low else 0.0, high or 1.0)
        return cells, Normalize(*ends), f"{heat.title} ({unit.label})"
    limit = heat.limit(grid)
    positive = cells[cells > 0.0]
    low = min([limit or 1.0, *positive])
    high = max([limit, *positive, 2.0 * low])
    low = max(_LOWEST, float(10.0 ** np.floor(np.log10(low) + 1e-9)))
    cells = np.where(cells <= 0.0, 0.1 * low, cells)  # below the scale: none seen
    title = f"{heat.title} (%), \u25b8 at most {100.0 * limit:.4g} accepted"
    return 100.0 * cells, LogNorm(100.0 * low, 100.0 * min(1.0, max(high, 10.0 * low))), title


def _bar(axes: Axes, bar: Axes, grid: Grid, heat: Heat, *, mesh: QuadMesh) -> None:
    figure: Any = axes.get_figure()
    is_share = heat.limit is not None
    figure.colorbar(mesh, cax=bar, extend="min" if is_share else "neither", extendfrac=0.07)
    bar.tick_params(labelsize=SMALL, length=2.5)
    if heat.limit is None:
        return
    low, high = bar.get_ylim()
    ticks = round_numbers(low * 0.999, high * 1.001, decades=1.2)
    bar.set_yticks(ticks, [f"{tick:.4g}" for tick in ticks])
    bar.minorticks_off()
    bar.annotate(
        "none seen",
        (1.0, -0.055),
        (3.5, 0.0),
        xycoords="axes fraction",
        textcoords="offset points",
        va="center",
        fontsize=SMALL,
    )
    limit = 100.0 * heat.limit(grid)
    if 0.999 * low <= limit <= 1.001 * high:
        for colour, width in (("white", 3.0), (BLACK, 1.4)):
            bar.axhline(limit, color=colour, linewidth=width, gid="acceptance")
        bar.plot(
            [-0.35],
            [limit],
            transform=bar.get_yaxis_transform(),
            marker=">",
            color=BLACK,
            markersize=5.0,
            clip_on=False,
        )


def _outline(axes: Axes, grid: Grid, cell: float) -> None:
    from matplotlib.collections import LineCollection

    lines = outline(grid.accepted.reshape(grid.shape), grid.scale.edges, grid.y.edges)
    for colour, width in _OUTLINE if lines else ():
        edge = LineCollection(
            lines,
            colors=colour,
            linewidths=width * min(1.9, max(0.9, 0.16 * cell)),
            capstyle="projecting",
            zorder=3.0,
        )
        edge.set_clip_on(False)
        edge.set_gid("accepted")
        axes.add_collection(edge, autolim=False)


def _dots(axes: Axes, grid: Grid, cell: float) -> None:
    rows, columns = np.nonzero(grid.undecided.reshape(grid.shape))
    axes.plot(
        grid.scale.to_even(grid.scale.at)[columns],
        grid.y.to_even(grid.y.at)[rows],
        linestyle="none",
        marker="o",
        markersize=min(4.0, max(1.0, 0.22 * cell)),
        color="white",
        markeredgecolor=BLACK,
        markeredgewidth=min(0.7, 0.035 * cell),
        gid="undecided",
    )


def name_cells(axes: Axes, grid: Grid, *, name_rows: bool) -> None:
    """Write the values of both axes, as many as there is room for."""
    columns, rows = grid.scale.edges[[0, -1]], grid.y.edges[[0, -1]]
    axes.set_xlim(*columns)
    axes.set_ylim(*(rows[::-1] if grid.y.words else rows))
    across, up = grid.scale.to_even(grid.scale.at), grid.y.to_even(grid.y.at)
    letters = max(len(text) for text in grid.scale.texts)
    shown = shown_ticks(grid.scale, most=max(2, min(_MOST_X, _MOST_LETTERS // letters)))
    axes.set_xticks(across[shown], [grid.scale.texts[i] for i in shown])
    shown = shown_ticks(grid.y, most=_MOST_Y)
    axes.set_yticks(up[shown], [grid.y.texts[i] for i in shown] if name_rows else [])
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)


def draw_highest(axes: Axes, grid: Grid, *, space: PanelPlace) -> None:
    """Draw up to which speed each row is accepted, and what fails at the next one."""
    rows, _ = grid.shape
    tall = space.points[1] / rows
    edges, begin = grid.y.edges, grid.scale.edges[0]
    speeds = grid.scale.to_even(grid.scale.at)
    written = every(rows, most=int(space.points[1] / 8.5))
    for number in range(rows):
        row = grid.row(number)
        highest = highest_accepted(row)
        count = sum(point.line_speed_mm_s <= (highest or 0.0) for point in row)
        below, above = edges[number], edges[number + 1]
        axes.barh(
            0.5 * (below + above), speeds[count - 1] - begin if count else 0.0, left=begin,
            height=0.82 * (above - below), facecolor="#c6dbef", edgecolor=GREY, linewidth=0.5,
            gid="highest",
        )  # fmt: skip
        if number in written:
            _write(axes, grid, number, count, space=space, size=min(SMALL, max(6.0, 0.8 * tall)))
    unit = display_unit("speed", grid.units).label
    _head(axes, f"Highest accepted speed ({unit}), and what fails beyond")


def _write(
    axes: Axes, grid: Grid, number: int, count: int, *, space: PanelPlace, size: float
) -> None:
    columns = grid.shape[1]
    speed = grid.scale.texts[count - 1] if count else "none"
    if count == columns:
        text = f"{speed}, the fastest here"
    else:
        fails = ", ".join(what_fails(grid.row(number)[count]))
        text = f"{speed}, then {fails}" if count else f"none: {fails}"
    begin, end = grid.scale.edges[[0, -1]]
    at = grid.scale.to_even(grid.scale.at)
    filled = (at[count - 1] - begin) / (end - begin) if count else 0.0
    inside = filled * space.points[0] > width_points(text, size) + 8.0
    axes.text(
        0.01 if inside else filled + 0.01,
        grid.y.to_even(grid.y.at)[number],
        text,
        transform=axes.get_yaxis_transform(),
        va="center_baseline",
        fontsize=size,
        gid="highest",
    )
