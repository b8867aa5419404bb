"""Places of words in the timing diagram, without overlap."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from feedsim.answers.run.timing.events import Instant
from feedsim.answers.run.timing.view import AxisUnits
from feedsim.render.canvas import A4_LANDSCAPE, GREY, spread_out

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def fitting(texts: Iterable[str], width_in: float) -> str:
    """Return the first of these texts that fits, or nothing."""
    for text in texts:
        if 0.075 * max(map(len, text.split("\n"))) < width_in - 0.05:
            return text
    return ""


def name_at_right(axes: Axes, named: list[tuple[float, str, str]]) -> None:
    """Write names (value, text, colour) beside the right end of the axes, without overlap."""
    named = sorted(named, key=lambda name: name[0])
    low, high = axes.get_ylim()
    gap = 0.16 * (high - low) / (axes.get_position().height * A4_LANDSCAPE[1])
    heights = spread_out([value for value, _, _ in named], gap=gap, low=low, high=high)
    right = axes.get_xlim()[1]
    for (value, text, colour), height in zip(named, heights, strict=True):
        axes.annotate(
            text,
            (right, value),
            (1.02, height),
            textcoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=8,
            color=colour,
            annotation_clip=False,
            arrowprops=_leader(colour, (0.0, 0.5)),
        )


def _leader(colour: str, end: tuple[float, float]) -> dict[str, Any]:
    return {
        "arrowstyle": "-",
        "color": colour,
        "linewidth": 0.7,
        "shrinkA": 1,
        "shrinkB": 0,
        "relpos": end,
    }


def label_instants(lanes: list[Axes], instants: list[Instant], scale: AxisUnits) -> None:
    """Draw lines through all lanes at the chosen carrier's instants, named above."""
    top = lanes[0]
    left, right = scale.times(scale.window)
    places = scale.times(instant.time_s for instant in instants)
    room = (right - left) / scale.width_in
    shown = [min(max(place, left), right) for place in places]
    spread = spread_out(shown, gap=0.8 * room, low=left + 0.2 * room, high=right - 0.2 * room)
    for instant, place, at, x in zip(instants, places, shown, spread, strict=True):
        inside = left <= place <= right
        if inside:
            for lane in lanes:
                lane.axvline(place, color=GREY, linewidth=0.6, linestyle=(0, (2, 2)), zorder=0.5)
        when = scale.instant(place) if inside else f"\u2190 {scale.instant(place)}"
        top.annotate(
            f"{instant.label}\n{when}",
            (at, 1.0),
            (x, 1.32),
            xycoords=top.get_xaxis_transform(),
            textcoords=top.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=8,
            linespacing=1.15,
            annotation_clip=False,
            arrowprops=_leader(GREY, (0.5, 0.0)),
        )
