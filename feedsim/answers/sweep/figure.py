"""One overview of a sweep for each feeder, to be pinned to a wall."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from feedsim.answers.sweep import panels
from feedsim.answers.sweep.curves import SweepView, sweep_view
from feedsim.answers.sweep.layout import (
    COLUMN_POINTS,
    SMALL,
    Panel,
    head,
    stacked,
    titled_page,
)
from feedsim.answers.sweep.marks import (
    Tag,
    draw_limit_lines,
    mark_refused,
    mark_verdicts,
    marks_legend,
    refused_within,
    tags_of,
)
from feedsim.answers.sweep.shares import draw_jam_risk, draw_missed
from feedsim.answers.sweep.study import Swept
from feedsim.answers.sweep.text import subtitle_of
from feedsim.answers.sweep.words import speed_words
from feedsim.quantities import System
from feedsim.render.canvas import BLACK, GREY, one_each
from feedsim.render.fonts import width_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Draw = Callable[["Axes", SweepView], int]
"""Draws a panel and returns how many rows of text stand above it."""

_LEFT, _RIGHT, _TOP = 0.062, 0.552, 0.925
_FIGURES = {
    "missed": "missed",
    "jam_risk": "jam risk",
    "within_tolerance": "tolerance",
}
"""Names of the acceptance figures."""

_STYLES: dict[str, dict[str, Any]] = {
    "missed": {"facecolor": "#c6dbef"},
    "jam_risk": {"facecolor": "#fdd9b5"},
    "within_tolerance": {"facecolor": "#d5ecd4"},
}
_MOST = 10


class Marks(NamedTuple):
    """Marks through all panels: limits, and stretches that closed forms refuse."""

    tags: Sequence[Tag]
    stretches: Sequence[tuple[float, float]]


def sweep_figures(swept: Swept, *, units: System = "metric") -> dict[str, Figure]:
    """Draw a sweep over one axis; ValueError for any other.

    Panels over one x axis: placement error with its tolerance, missed carriers by cause, jam risk
    by hazard, margins with their zero, and, if the line speed is swept, the speed that each
    mechanism alone would allow; the lowest of these run through all panels as lines. Stretches that
    the closed forms refuse below accepted speeds are hatched, or grey lines if narrow. A cross on
    the x axis marks a point that is not accepted, a ring one that is not decided.
    """
    feeders = len(swept.points[0].results.feeders)
    return one_each("sweep", feeders, lambda n: _figure(sweep_view(swept, n, units=units), swept))


def _figure(view: SweepView, swept: Swept) -> Figure:
    subtitle = subtitle_of(swept, view.units)
    figure = titled_page(f"{swept.title} · {view.name}", subtitle)
    figure.set_label(
        f"{subtitle}. Against {view.scale.label}: placement error with its tolerance, missed "
        f"carriers by cause, jam risk by hazard, and the margin of each hazard with its zero."
    )
    marks = Marks((), ())
    if swept.by_speed:
        tags = tags_of(swept.limits_of(view.name), view)
        marks = Marks(tags, refused_within(swept.closed_form_refused, view))

    def add() -> Axes:
        axes = figure.add_axes((0.0, 0.0, 0.5, 0.2), label=str(len(figure.axes)))
        axes.set_xlabel(view.scale.label)
        axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
        return axes

    draw: list[tuple[Draw, float]] = [
        (panels.draw_placement, 1.0),
        (draw_missed, 1.0),
        (draw_jam_risk, 1.15),
    ]
    left = [_panel(add(), view, marks, panel, weight) for panel, weight in draw]
    draw = [
        (panels.draw_margins, 1.0 if swept.by_speed else 1.5),
        (lambda axes, view: panels.draw_margin(axes, view, "speed_mismatch"), 0.42),
        (lambda axes, view: panels.draw_margin(axes, view, "drive_overload"), 0.42),
    ]
    right = [_panel(add(), view, marks, panel, weight) for panel, weight in draw]
    if swept.by_speed:
        axes = add()
        view.scale.set_up(axes)
        right.append(Panel(axes, 1.15, _draw_limits(axes, view, marks.tags)))
    bottom = 0.15 if view.scale.slanted else 0.105
    stacked(left, left=_LEFT, bottom=bottom, top=_TOP)
    stacked(right, left=_RIGHT, bottom=bottom, top=_TOP)
    marks_legend(figure, view, marks.tags, marks.stretches)
    return figure


def _panel(axes: Axes, view: SweepView, marks: Marks, draw: Draw, weight: float) -> Panel:
    view.scale.set_up(axes)
    rows = draw(axes, view)
    axes.set_xlim(*view.scale.view)
    mark_refused(axes, marks.stretches, view)
    draw_limit_lines(axes, view, marks.tags)
    mark_verdicts(axes, view)
    return Panel(axes, weight, rows)


def _draw_limits(axes: Axes, view: SweepView, tags: Sequence[Tag]) -> int:
    """List the limits of one feeder, a bar each, that of all together on top.

    A bar that ends beyond the axis has an arrow.
    """
    ordered = [tag for tag in tags if tag.name == "all"]
    ordered += [tag for tag in tags if tag.name != "all"]
    shown = ordered[:_MOST]
    for row, tag in enumerate(shown):
        _bar(axes, view, row, tag)
    rows = max(len(shown), 1) + (len(ordered) > _MOST)
    if len(ordered) > _MOST:
        text = f"{len(ordered) - _MOST} more at higher speeds"
        _write(axes, 0.006, _MOST, text, color=GREY)
    if not shown:
        _write(axes, 0.006, 0, "no limit found at any speed looked at")
    axes.set_ylim(max(rows, 5) - 0.4, -0.6)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    return head(axes, "Up to where each mechanism alone would allow, in closed form")


def _bar(axes: Axes, view: SweepView, row: int, tag: Tag) -> None:
    left, right = view.scale.view
    together = tag.name == "all"
    beyond = tag.at >= right
    end = min(max(tag.at, left), right)
    axes.barh(
        row,
        end - left,
        left=left,
        height=0.82,
        edgecolor=BLACK if together else GREY,
        linewidth=1.1 if together else 0.5,
        gid=f"limit {tag.name}",
        clip_on=False,
        **_STYLES[tag.limit.figure],
    )
    if beyond:
        axes.plot(
            [1.0],
            [row],
            transform=axes.get_yaxis_transform(),
            marker=">",
            color=GREY,
            markersize=5.0,
            clip_on=False,
        )
    told = speed_words(tag.limit.speed_mm_s, view.units)
    text = f"{tag.limit.mechanism}  {told}  ({_FIGURES[tag.limit.figure]})"
    text = text if together else f"{tag.name}  {text}"
    low, high, at = (view.scale.even(v) for v in (left, right, end))
    filled = (at - low) / (high - low)
    bold = together or tag.name == "1"
    inside = filled * COLUMN_POINTS > width_points(text, SMALL, bold=bold) + 8.0
    _write(axes, 0.01 if inside else filled + 0.01, row, text, bold=bold)


def _write(
    axes: Axes, x: float, row: int, text: str, *, bold: bool = False, color: str = BLACK
) -> None:
    axes.text(
        x,
        row,
        text,
        transform=axes.get_yaxis_transform(),
        va="center_baseline",
        fontsize=SMALL,
        fontweight="bold" if bold else "normal",
        color=color,
    )
