"""Marks that run through all panels of a sweep: verdicts at the axis, limits as lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.limit.study.closed import FeederLimit, RefusedSpeeds
from feedsim.answers.sweep.curves import SweepView
from feedsim.answers.sweep.layout import COLUMN_POINTS
from feedsim.arrays import Bools
from feedsim.render.canvas import BLACK, VERMILLION, spread_out
from feedsim.settings.limits import TOGETHER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Stretch = tuple[float, float]


_MOST_LINES = 3
_APART = 13.0  # between tags (1/72 inch)
_CROSS: dict[str, Any] = {
    "linestyle": "none",
    "color": VERMILLION,
    "marker": "x",
    "markersize": 5.0,
    "markeredgewidth": 1.6,
}
_RING: dict[str, Any] = {
    "linestyle": "none",
    "color": BLACK,
    "marker": "o",
    "markersize": 7.5,
    "markerfacecolor": "none",
    "markeredgewidth": 0.9,
}
_STRIP = 4.5  # width of the strip that stands for many marks (1/72 inch)
_LINE: dict[str, Any] = {"color": "#333333", "linewidth": 0.9, "linestyle": (0, (1, 1.2))}
_REFUSED: dict[str, Any] = {
    "facecolor": "#ececec",
    "edgecolor": "#bdbdbd",
    "hatch": "////",
    "linewidth": 0.8,
}
_HATCHED = 9.0
"""A stretch narrower than this (1/72 inch) shows no hatching."""
_NARROW: dict[str, Any] = {"color": "#9a9a9a", "linewidth": 2.2, "linestyle": "-"}
_TOGETHER: dict[str, Any] = {"color": "#333333", "linewidth": 1.1, "linestyle": "-"}


@dataclass(frozen=True, slots=True)
class Tag:
    """A limit with its short name in the figure, and its place."""

    name: str
    limit: FeederLimit
    at: float


def tags_of(limits: Sequence[FeederLimit], view: SweepView) -> list[Tag]:
    """Give each limit a number, from the lowest on, and that of all together none."""
    tags: list[Tag] = []
    number = 0
    for limit in limits:
        together = limit.mechanism == TOGETHER
        number += not together
        at = limit.speed_mm_s * view.scale.factor
        tags.append(Tag("all" if together else str(number), limit, at))
    return tags


def lines_among(tags: Sequence[Tag], view: SweepView) -> list[Tag]:
    """Return the limits that are drawn as lines: the lowest few within the axis."""
    low, high = view.scale.view
    within = [tag for tag in tags if low < tag.at < high]
    alone = [tag for tag in within if tag.name != "all"][:_MOST_LINES]
    return sorted([*alone, *(tag for tag in within if tag.name == "all")], key=lambda tag: tag.at)


def draw_limit_lines(axes: Axes, view: SweepView, tags: Sequence[Tag]) -> None:
    """Draw limits as upright lines with their tags on top."""
    drawn = lines_among(tags, view)
    low, high = (view.scale.even(end) for end in view.scale.view)
    points = [COLUMN_POINTS * (view.scale.even(tag.at) - low) / (high - low) for tag in drawn]
    places = spread_out(points, gap=_APART, low=0.0, high=COLUMN_POINTS)
    for tag, place in zip(drawn, places, strict=True):
        look = _TOGETHER if tag.name == "all" else _LINE
        axes.axvline(tag.at, zorder=1.8, gid=f"limit {tag.name}", **look)
        axes.annotate(
            tag.name,
            (place / COLUMN_POINTS, 1.0),
            (0.0, 1.0),
            xycoords="axes fraction",
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7.0,
            fontweight="bold",
        )


def refused_within(refused: Sequence[RefusedSpeeds], view: SweepView) -> list[Stretch]:
    """Return the stretches that closed forms refuse and that end, in the units of the axis.

    The limit's line marks an endless one: beyond it everything is refused.
    """
    low, high = view.scale.view
    ends = [
        (view.scale.factor * r.from_mm_s, view.scale.factor * r.to_mm_s)
        for r in refused
        if r.to_mm_s is not None
    ]
    return [(max(a, low), min(b, high)) for a, b in ends if a < high and b > low]


def is_narrow(stretch: Stretch, view: SweepView) -> bool:
    """Return whether a stretch is too narrow in a panel to show its hatching."""
    (low, high), (first, last) = (
        [view.scale.even(end) for end in ends] for ends in (stretch, view.scale.view)
    )
    return COLUMN_POINTS * (high - low) < _HATCHED * (last - first)


def mark_refused(axes: Axes, stretches: Sequence[Stretch], view: SweepView) -> None:
    """Hatch the stretches of speeds that the closed forms refuse; narrow ones are lines."""
    for low, high in stretches:
        if is_narrow((low, high), view):
            middle = 0.5 * (low + high)
            axes.axvline(middle, zorder=0.4, gid="refused, narrow", **_NARROW)
        else:
            axes.axvspan(low, high, zorder=0.4, gid="refused in closed form", **_REFUSED)


def mark_verdicts(axes: Axes, view: SweepView) -> None:
    """Mark at the x axis what is not accepted (cross) and what is not decided (ring)."""
    if view.scale.many:
        _strip(axes, view, ~view.accepted & ~view.undecided, VERMILLION, "refused")
        _strip(axes, view, ~view.accepted & view.undecided, VERMILLION, "refused, undecided")
        _strip(axes, view, view.accepted & view.undecided, BLACK, "accepted, undecided")
        return
    for which, look, gid in (
        (view.undecided, _RING, "undecided"),
        (~view.accepted, _CROSS, "refused"),
    ):
        axes.plot(
            view.x[which],
            np.zeros(int(which.sum())),
            transform=axes.get_xaxis_transform(),
            clip_on=False,
            zorder=5.0,
            gid=gid,
            **look,
        )


def _strip(axes: Axes, view: SweepView, which: Bools, colour: str, gid: str) -> None:
    """Draw stretches of points as a strip along the axis; a white core says undecided."""
    left, right = view.scale.cells
    edges = np.flatnonzero(np.diff(np.concatenate(([False], which, [False])).astype(int)))
    look: dict[str, Any] = {
        "transform": axes.get_xaxis_transform(),
        "clip_on": False,
        "solid_capstyle": "butt",
        "zorder": 5.0,
    }
    for first, after in edges.reshape(-1, 2):
        ends = [left[first], right[after - 1]]
        axes.plot(ends, [0.0, 0.0], color=colour, linewidth=_STRIP, gid=gid, **look)
        if "undecided" in gid:
            core = look | {"solid_capstyle": "butt", "zorder": 5.1}
            axes.plot(ends, [0.0, 0.0], color="white", linewidth=0.45 * _STRIP, **core)


def marks_legend(  # noqa: C901 - a line for each mark
    figure: Figure, view: SweepView, tags: Sequence[Tag], stretches: Sequence[Stretch]
) -> None:
    """Explain below the panels the marks that are there."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    refused, undecided = ~view.accepted, view.undecided
    of = " (line as a whole)" if view.several else ""
    handles: list[Any] = []
    labels: list[str] = []

    def add(handle: Any, label: str) -> None:
        handles.append(handle)
        labels.append(label)

    if view.scale.many:
        for which, colour, core, label in (
            (refused & ~undecided, VERMILLION, False, f"not accepted{of}"),
            (refused & undecided, VERMILLION, True, f"not accepted{of} so far"),
            (~refused & undecided, BLACK, True, "accepted so far"),
        ):
            if which.any():
                whole = Line2D([], [], color=colour, linewidth=_STRIP, solid_capstyle="butt")
                inner = Line2D([], [], color="white", linewidth=0.45 * _STRIP)
                add((whole, inner) if core else whole, label)
    else:
        if refused.any():
            add(Line2D([], [], **_CROSS), f"not accepted{of}")
        if undecided.any():
            add(Line2D([], [], **_RING), "not decided: more carriers are needed to be sure at 95 %")
    drawn = {tag.name for tag in lines_among(tags, view)}
    if drawn - {"all"}:
        add(Line2D([], [], **_LINE), "limit in closed form, numbered")
    if "all" in drawn:
        add(Line2D([], [], **_TOGETHER), "limit of all together")
    narrow = [is_narrow(stretch, view) for stretch in stretches]
    if not all(narrow):
        add(Patch(**_REFUSED), "refused in closed form")
    if any(narrow):
        what = "a narrow stretch" if sum(narrow) == 1 else "narrow stretches"
        add(Line2D([], [], **_NARROW), f"{what} refused in closed form")
    if handles:
        figure.legend(
            handles,
            labels,
            loc="center",
            bbox_to_anchor=(0.5, 0.024),
            ncols=len(labels),
            fontsize=8.0,
        )
