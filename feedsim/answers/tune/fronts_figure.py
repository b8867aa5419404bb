"""Speed against jam risk, and against spread: the least that can be had, and what there is now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from feedsim.answers.tune.study.after import Front, FrontPoint, Tuning
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREY, VERMILLION, page

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BEST: dict[str, Any] = {"color": BLUE, "linestyle": "-", "marker": "o"}
_NOW: dict[str, Any] = {"color": BLACK, "linestyle": (0, (5, 3)), "marker": "s"}
_FLOOR = 3.0
"""Nothing seen is drawn so many times below the least that could be."""


def fronts_figure(found: Tuning, units: System) -> Figure:
    """Draw both fronts side by side."""
    about = "The least jam risk and the least spread that can be had at each speed, and those now"
    figure = page(found.title, about)
    figure.set_label(
        f"{about}, simulated on fresh cards with 95 % intervals; filled marks meet all acceptance "
        f"figures."
    )
    for number, front in enumerate(found.fronts):
        axes = figure.add_axes((0.075 + 0.48 * number, 0.17, 0.405, 0.69))
        _draw(axes, front, found, units)
    _legend(figure)
    return figure


def _draw(axes: Axes, front: Front, found: Tuning, units: System) -> None:
    risk = front.against == "jam_risk"
    by = display_unit("speed", units)
    unit = display_unit("length", units)
    factor = 100.0 if risk else unit.factor
    rows = [point for points in (front.points, front.now) for point in points]
    least = min(
        (p.interval.high for p in rows if p.interval is not None and p.interval.high > 0.0),
        default=1e-3,
    )
    floor = factor * least / _FLOOR if risk else 0.0
    for points, look in ((front.now, _NOW), (front.points, _BEST)):
        _curve(axes, points, look, by=by.factor, factor=factor, floor=floor)
    accept = found.scenario.acceptance
    if risk:
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter("{x:g}")
        limit, name = 100.0 * accept.jam_risk, f"allowed {percent(accept.jam_risk)}"
        axes.set_ylim(0.55 * floor, 150.0)
        if any(point.value == 0.0 for point in rows):
            axes.annotate(
                "none seen", (0.99, floor), (0.0, -9.0), xycoords=axes.get_yaxis_transform(),
                textcoords="offset points", ha="right", fontsize=8.0,
            )  # fmt: skip
        axes.set_ylabel("jam risk (% of feed cycles)")
        if limit > 0.0:
            axes.axhline(limit, color=VERMILLION, linestyle=DASHED, linewidth=1.1)
            axes.annotate(
                name, (0.01, limit), (0.0, 3.0), xycoords=axes.get_yaxis_transform(),
                textcoords="offset points", fontsize=8.0,
            )  # fmt: skip
    else:
        axes.set_ylim(0.0, 1.08 * max((factor * p.value for p in rows if p.value), default=1.0))
        axes.set_ylabel(f"standard deviation of the placement ({unit.label})")
    axes.set_xlabel(f"line speed ({by.label})")
    axes.grid(color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)


def _curve(
    axes: Axes,
    points: Sequence[FrontPoint],
    look: dict[str, Any],
    *,
    by: float,
    factor: float,
    floor: float,
) -> None:
    """Draw one setup's points, filled where all figures are met, none seen at the floor."""
    there = [point for point in points if point.value is not None]
    speeds = [by * point.line_speed_mm_s for point in there]
    values = [max(factor * (point.value or 0.0), floor) for point in there]
    axes.plot(speeds, values, color=look["color"], linestyle=look["linestyle"], linewidth=1.2)
    for point, x, y in zip(there, speeds, values, strict=True):
        fill = look["color"] if point.met else "white"
        axes.plot(
            [x], [y], marker=look["marker"], markersize=6.0, color=look["color"],
            markerfacecolor=fill, linestyle="none", zorder=3.0,
        )  # fmt: skip
        if point.interval is not None:
            low, high = (max(factor * end, floor) for end in point.interval)
            axes.plot([x, x], [low, high], color=look["color"], linewidth=1.0, zorder=2.0)


def _legend(figure: Figure) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], markersize=6.0, **_BEST),
        Line2D([], [], markersize=6.0, **_NOW),
        Line2D([], [], color=GREY, marker="o", markerfacecolor="white", linestyle="none"),
        Line2D([], [], color=GREY, linewidth=1.0),
    ]
    labels = [
        "the knobs chosen for that speed",
        "as it is now",
        "hollow: not all acceptance figures are met",
        "95 % interval",
    ]
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.055), ncols=4)
