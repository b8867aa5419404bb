"""The limits in closed form as bars on the speed axis, the binding one first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from feedsim.answers.sweep.curves import SweepView
from feedsim.answers.sweep.layout import COLUMN_POINTS, SMALL, head
from feedsim.answers.sweep.marks import Tag
from feedsim.render.canvas import BLACK, GREY
from feedsim.render.fonts import width_points
from feedsim.render.wording import speed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FIGURES = {
    "missed": "missed",
    "jam_risk": "jam risk",
    "within_tolerance": "tolerance",
}
"""What the acceptance figures are called."""

_STYLES: dict[str, dict[str, Any]] = {
    "missed": {"facecolor": "#c6dbef"},
    "jam_risk": {"facecolor": "#fdd9b5"},
    "within_tolerance": {"facecolor": "#d5ecd4"},
}
_MOST = 10


def speed_in_words(speed_mm_s: float, view: SweepView) -> str:
    """Write the speed of a limit."""
    if speed_mm_s == 0.0:
        return "not even at a crawl"
    return speed(speed_mm_s, view.units, digits=3)


def draw_limits(axes: Axes, view: SweepView, tags: Sequence[Tag]) -> int:
    """List the limits of one feeder, a bar each, all of them together on top.

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
    told = speed_in_words(tag.limit.speed_mm_s, view)
    text = f"{tag.limit.mechanism}  {told}  ({FIGURES[tag.limit.figure]})"
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
