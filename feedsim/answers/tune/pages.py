"""The further pages of a tune: each knob turned, and what speed costs in jam risk and spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.tune.study.after import Front, FrontPoint, KnobWindow, Tuning
from feedsim.answers.tune.words import at_words, number_of, shown
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREY, SKY, VERMILLION, page
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LOW, _HIGH = 1e-3, 1e3
_FOOT = 0.4 * _LOW  # of the bar below the curve
_MOST_ACROSS = 3
_BEST: dict[str, Any] = {"color": BLUE, "linestyle": "-", "marker": "o"}
_NOW: dict[str, Any] = {"color": BLACK, "linestyle": (0, (5, 3)), "marker": "s"}
_FLOOR = 3.0
"""Zero is drawn this many times below the least possible figure above it."""


def windows_figure(found: Tuning, units: System) -> Figure:
    """Draw a panel for each knob whose values are numbers."""
    shown_windows = [window for window in found.windows if window.values]
    across = min(_MOST_ACROSS, 2 if len(shown_windows) == 4 else len(shown_windows))
    down = math.ceil(len(shown_windows) / across)
    about = "How far each may be turned, the others held as in the best setup, at "
    about += at_words(found, units)
    figure = page(found.title, about)
    figure.set_label(
        f"{about}. A panel for each knob: how many times what is allowed the worst acceptance "
        f"figure comes to, in closed form; it is accepted below 1."
    )
    grid = figure.add_gridspec(
        down, across, left=0.085, right=0.975, bottom=0.135, top=0.87, hspace=0.5, wspace=0.22
    )
    now = {knob.key: knob.now for knob in found.knobs}
    for place, window in enumerate(shown_windows):
        axes = figure.add_subplot(grid[divmod(place, across)])
        _draw(axes, window, now[window.key], units)
        if place % across == 0:
            axes.set_ylabel("times what is allowed")
    _legend(
        figure,
        simulated=any(window.simulated for window in shown_windows),
        impossible=not all(math.isfinite(t) for window in shown_windows for t in window.times),
    )
    return figure


def _draw(axes: Axes, window: KnobWindow, now: str, units: System) -> None:
    factor, label = 1.0, ""
    if window.kind is not None:
        factor, label = _unit_for(window, units)
    values = factor * np.array(window.values)
    times = np.array([t if math.isfinite(t) else math.nan for t in window.times])
    impossible = values[np.isnan(times)]
    _span(axes, window, factor)
    look: dict[str, Any] = {"color": BLACK, "marker": ".", "markersize": 3.0, "linewidth": 1.2}
    for part in _joined(window, number_of(now)):
        axes.plot(values[part], np.clip(times[part], _LOW, _HIGH), zorder=2.5, **look)
    axes.plot(impossible, np.full(len(impossible), _HIGH), "x", color=VERMILLION, markersize=5.0)
    axes.axhline(1.0, color=VERMILLION, linestyle=DASHED, linewidth=1.1)
    best, here = number_of(window.best), number_of(now)
    if here is not None:
        axes.axvline(factor * here, color=GREY, linestyle=":", linewidth=1.2)
    if best is not None:
        axes.axvline(factor * best, color=BLACK, linewidth=0.9, zorder=2.0)
    axes.set_yscale("log")
    axes.set_ylim(_FOOT / 1.6, _HIGH * (6.0 if len(impossible) else 1.6))
    ticks = [1e-3, 1e-2, 1e-1, 1.0, 10.0, 100.0, 1000.0]
    axes.set_yticks(ticks, ["≤ 0.001", "0.01", "0.1", "1", "10", "100", "≥ 1000"])
    axes.minorticks_off()
    axes.grid(color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    name = one_line(window.key, 60)
    axes.set_xlabel(f"{name} ({label})" if label else name)
    axes.set_title(_title(window, units), fontsize=8.5)
    _binding(axes, window)


def _joined(window: KnobWindow, now: float | None) -> list[slice]:
    """Return which values a line may join: not the present one across a gap in the list."""
    count, gaps = len(window.values), np.diff(window.values)
    if count > 2 and now == window.values[0] and gaps[0] > gaps[1:].max():
        return [slice(0, 1), slice(1, count)]
    if count > 2 and now == window.values[-1] and gaps[-1] > gaps[:-1].max():
        return [slice(0, count - 1), slice(count - 1, count)]
    return [slice(0, count)]


def _unit_for(window: KnobWindow, units: System) -> tuple[float, str]:
    """Return the factor and the label of an axis; times below a second are in ms."""
    if window.kind == "time" and max(window.values) < 1.0:
        return 1e3, "ms"
    unit = display_unit(window.kind or "share", units)
    return unit.factor, unit.label


def _title(window: KnobWindow, units: System) -> str:
    low, high = window.low, window.high
    if low is None or high is None:
        return "not accepted, not even at its best"
    best, first, last = (shown(text, units) for text in (window.best, low, high))
    if low == high:
        return f"best {best}; accepted at {first} alone"
    return f"best {best}; accepted from {first} to {last}"


def _span(axes: Axes, window: KnobWindow, factor: float) -> None:
    look: dict[str, Any]
    ends = [number_of(text) for text in (window.low, window.high) if text is not None]
    if len(ends) == 2 and ends[0] is not None and ends[1] is not None:
        axes.axvspan(
            factor * ends[0], factor * ends[1], color=SKY, alpha=0.35, linewidth=0.0, zorder=0.5
        )
    again = [number_of(t) for t in (window.retuned.low, window.retuned.high) if t is not None]
    if len(again) == 2 and again[0] is not None and again[1] is not None:
        look = {"color": BLUE, "linewidth": 4.0, "solid_capstyle": "butt"}
        axes.plot(
            [factor * again[0], factor * again[1]], [_FOOT] * 2, zorder=1.0, gid="retuned", **look
        )


def _binding(axes: Axes, window: KnobWindow) -> None:
    """Name what refuses the values beyond either end, if the curve rises above 1."""
    low, high = window.held.binds
    for name, side in ((low, "left"), (high, "right")):
        if name:
            x, ha = (0.02, "left") if side == "left" else (0.98, "right")
            axes.text(
                x, 0.97, name, transform=axes.transAxes, ha=ha, va="top", fontsize=8.0,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8},
            )  # fmt: skip


def _legend(figure: Figure, *, simulated: bool, impossible: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=BLACK, marker=".", linewidth=1.2),
        Line2D([], [], color=VERMILLION, linestyle=DASHED),
        Patch(facecolor=SKY, alpha=0.35),
        Line2D([], [], color=BLUE, linewidth=4.0),
        Line2D([], [], color=BLACK, linewidth=0.9),
        Line2D([], [], color=GREY, linestyle=":"),
    ]
    labels = [
        "worst figure, in closed form",
        "what is allowed",
        f"accepted, {'simulated' if simulated else 'in closed form'}",
        "accepted with the others re-tuned",
        "best",
        "now",
    ]
    if impossible:
        handles.append(Line2D([], [], color=VERMILLION, linestyle="none", marker="x"))
        labels.append("no such line")
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.04), ncols=len(labels))


def fronts_figure(found: Tuning, units: System) -> Figure:
    """Draw both fronts side by side."""
    about = "The least jam risk and the least spread possible at each speed, and those now"
    figure = page(found.title, about)
    figure.set_label(
        f"{about}, simulated in fresh runs with 95 % intervals; filled marks meet all acceptance "
        f"figures."
    )
    for number, front in enumerate(found.fronts):
        axes = figure.add_axes((0.075 + 0.48 * number, 0.17, 0.405, 0.69))
        _draw_front(axes, front, found, units)
    _fronts_legend(figure)
    return figure


def _draw_front(axes: Axes, front: Front, found: Tuning, units: System) -> None:
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
    """Draw one setup's points, filled if all figures are met, zeros at the floor."""
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


def _fronts_legend(figure: Figure) -> None:
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
