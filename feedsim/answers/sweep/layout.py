"""Panels one above the other, each with its title and its legend above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.render.canvas import A4_LANDSCAPE, page
from feedsim.render.fonts import width_points
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SMALL = 7.5
"""Size of legends and of labels in a panel (1/72 inch)."""

COLUMN_POINTS = 360.0
"""Width of a panel (1/72 inch)."""

_ROW = 10.5  # height of a row of a legend, and of a title
_TAGS = 9.0  # between axes and legend, for the tags of limit lines
_HANDLE, _BETWEEN = 20.0, 9.0
_LONGEST = 790.0  # of a title (1/72 inch)
_MOST_LETTERS, _ONE_LINE = 200, 150


@dataclass(frozen=True, slots=True)
class Panel:
    """Axes, their share of the height, and the rows of text above them."""

    axes: Axes
    weight: float
    rows: int


def say(axes: Axes, text: str) -> None:
    """Write in an empty panel why it is empty."""
    axes.text(
        0.5,
        0.68,
        text,
        transform=axes.transAxes,
        ha="center",
        va="center",
        fontsize=9.0,
        zorder=4.0,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
    )


def head(axes: Axes, title: str) -> int:
    """Write a title above the axes and their legend; return the rows it takes."""
    handles, labels = axes.get_legend_handles_labels()
    rows = 0
    if handles:
        from matplotlib.transforms import offset_copy

        figure: Any = axes.get_figure()
        columns = _columns([width_points(label, SMALL) for label in labels])
        rows = -(-len(labels) // columns)
        place: dict[str, Any] = {
            "loc": "lower left",
            "bbox_to_anchor": (0.0, 1.0),
            "bbox_transform": offset_copy(axes.transAxes, figure, y=_TAGS, units="points"),
        }
        axes.legend(
            handles,
            labels,
            ncols=columns,
            fontsize=SMALL,
            borderpad=0.0,
            borderaxespad=0.0,
            labelspacing=_ROW / SMALL - 1.0,
            handlelength=1.9,
            handletextpad=0.5,
            columnspacing=_BETWEEN / SMALL,
            **place,
        )
    axes.annotate(
        title,
        (0.0, 1.0),
        (0.0, _TAGS + _ROW * rows + 2.0),
        xycoords="axes fraction",
        textcoords="offset points",
        fontsize=9.0,
        fontweight="bold",
    )
    return rows + 1


def titled_page(title: str, subtitle: str) -> Figure:
    """Return a page with title and subtitle, smaller if long, the latter in two lines."""
    figure = page(title, y=0.972)
    told = one_line(subtitle, 2 * _MOST_LETTERS)
    if len(told) <= _ONE_LINE:
        rows = [(told, 0.942, 10.0)]
    else:
        halves = wrap(told, max(_ONE_LINE, len(told) * 11 // 20))
        rows = [(half, 0.949 - 0.016 * k, 8.0) for k, half in enumerate(halves)]
    for line, y, size in rows:
        smaller = min(1.0, _LONGEST / max(1.0, width_points(line, size)))
        figure.text(0.5, y, line, ha="center", va="center", fontsize=size * smaller)
    return figure


def _columns(widths: Sequence[float]) -> int:
    """Return the most columns of a legend that fit a panel."""
    for columns in range(len(widths), 1, -1):
        widest = [max(column) for column in np.array_split(widths, columns)]
        if sum(widest) + (_HANDLE + _BETWEEN) * len(widest) - _BETWEEN <= COLUMN_POINTS:
            return columns
    return 1


def stacked(panels: Sequence[Panel], *, left: float, bottom: float, top: float) -> None:
    """Place panels one above the other, at shares of the page; only the lowest names its x axis."""
    height = A4_LANDSCAPE[1] * 72.0
    heads = [(_TAGS + _ROW * panel.rows + 11.0) / height for panel in panels]
    room = top - bottom - sum(heads)
    weights = sum(panel.weight for panel in panels)
    for panel, above in zip(panels, heads, strict=True):
        tall = room * panel.weight / weights
        top -= above + tall
        panel.axes.set_position((left, top, COLUMN_POINTS / (72.0 * A4_LANDSCAPE[0]), tall))
        if panel is not panels[-1]:
            panel.axes.tick_params(axis="x", labelbottom=False)
            panel.axes.set_xlabel("")
