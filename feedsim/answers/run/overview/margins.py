"""Two panels of the overview: how near each hazard came, and why carriers were missed."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from feedsim.answers.run.overview.shown import Margin, Shown
from feedsim.metrics.share import Share
from feedsim.quantities import System, whole
from feedsim.render.canvas import BLACK, BLUE, GREY, SKY, VERMILLION, above, true_minus
from feedsim.render.wording import acceleration, hazard_name, length, seldom

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_BAR = 0.3
_ROOM = 1.12


def draw_margins(axes: Axes, shown: Shown) -> None:
    """Draw a row for each hazard: its margins against zero, each on a scale of its own.

    A line from the least to the largest margin, a bar over the middle 98 % of the feed cycles and
    a dot at the mean; left of zero is the hazard.
    """
    axes.axvline(0.0, color=BLACK, linewidth=1.1, gid="no margin")
    for row, margin in enumerate(shown.margins):
        _draw_hazard(axes, row, margin, cycles=shown.cycles, units=shown.units)
    axes.set_xlim(-_ROOM, _ROOM)
    axes.set_ylim(len(shown.margins) - 0.45, -0.65)
    axes.set_xticks([0.0], ["0"])
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(
        "hazard ← margin of a feed cycle → clear\nline: all, bar: middle 98 %, dot: mean"
    )
    above(axes, "Hazards: margin, each on its own scale", 4.0, fontsize=8.5)


def _draw_hazard(axes: Axes, row: int, margin: Margin, *, cycles: int, units: System) -> None:
    name, seen = margin.hazard, margin.seen
    if margin.finite:
        _draw_margin(axes, row, margin)
    look: dict[str, Any] = {
        "fontsize": 7.5,
        "fontweight": "bold" if seen else "normal",
        "va": "center",
        "color": VERMILLION if seen else BLACK,
        "bbox": {"facecolor": "white", "edgecolor": "none", "pad": 0.5},
    }
    told = _told(margin, cycles=cycles, units=units)
    axes.text(-_ROOM, row - 0.27, hazard_name(name), ha="left", **look)
    axes.text(_ROOM, row - 0.27, true_minus(told), ha="right", **look)


def _draw_margin(axes: Axes, row: int, margin: Margin) -> None:
    name, _, _, least, most, low, high, mean = margin
    scale = max(abs(least), abs(most)) or 1.0
    y = row + 0.12
    axes.plot(
        [least / scale, most / scale], [y, y], color=BLUE, linewidth=1.0, gid=f"margin {name}"
    )
    for left, right, past in (
        (min(low, 0.0), min(high, 0.0), True),
        (max(low, 0.0), max(high, 0.0), False),
    ):
        if right > left or low == high == left:
            axes.barh(
                y,
                max(right - left, 0.004 * scale) / scale,
                left=left / scale,
                height=_BAR,
                facecolor="white" if past else SKY,
                edgecolor=VERMILLION if past else BLUE,
                hatch="/////" if past else "",
                linewidth=0.6,
                gid=f"middle {name}",
            )
    if least < 0.0:
        axes.plot([least / scale, min(most, 0.0) / scale], [y, y], color=VERMILLION, linewidth=1.4)
    axes.plot(mean / scale, y, marker="o", color=BLACK, markersize=3.0)


def _told(margin: Margin, *, cycles: int, units: System) -> str:
    if not cycles:
        return "no feed cycle"
    name = margin.hazard
    least = _margin(name, margin.least, units) if margin.finite else ""
    if margin.seen:
        told = f"{whole(margin.seen)} of {whole(cycles)}"
        return f"{told}, to {least}" if least else told
    if least:
        return f"none; least {least}"
    return "no limit given" if name == "drive_overload" else "none"


def _margin(name: str, value: float, units: System) -> str:
    if name == "drive_overload":
        return acceleration(value, units)
    return f"{value:.2f} %" if name == "speed_mismatch" else length(value, units)


def draw_misses(axes: Axes, shown: Shown) -> None:
    """Draw a bar for each cause of missed carriers, the largest first, with its count."""
    missed: Share = shown.figures.missed
    causes = asdict(shown.figures.missed.by_cause)
    found = sorted((item for item in causes.items() if item[1]), key=lambda item: -item[1])
    for row, (cause, count) in enumerate(found):
        axes.barh(
            row,
            count,
            height=0.6,
            facecolor=SKY,
            edgecolor=BLUE,
            linewidth=0.6,
            gid=f"missed {cause}",
        )
        axes.annotate(
            f"{cause.replace('_', ' ')}, {whole(count)}",
            (0.0, row - 0.3),
            (2.0, 1.5),
            textcoords="offset points",
            va="bottom",
            fontsize=7.5,
        )
    axes.set_xlim(0.0, 1.05 * max((count for _, count in found), default=1.0))
    axes.set_ylim(max(len(found), 4) - 0.6, -0.85)
    axes.set_yticks([])
    if not found:
        axes.spines["left"].set_visible(False)
        axes.set_xticks([])
        axes.text(
            0.5, 0.5, "none", transform=axes.transAxes, ha="center", color=GREY, fontsize=10.0
        )
    else:
        from matplotlib.ticker import MaxNLocator

        axes.xaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    axes.set_xlabel("carriers")
    text = seldom(missed.share, missed.ci95, missed.upper95)
    if missed.count:
        text = f"{whole(missed.count)} ({text})"
    above(axes, f"Missed: {text}", 4.0, fontsize=8.5)
