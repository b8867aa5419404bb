"""The panels of a comparison: a figure of all setups above, its paired differences below."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.compare.view import STYLES, CompareView, Differences, nested
from feedsim.answers.compare.words import LENGTHS, MEAN, MISSED, SPREAD, WITHIN, ComparedFigure
from feedsim.arrays import Floats
from feedsim.render.canvas import BLACK, GREY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LIMIT: dict[str, Any] = {"color": GREY, "linestyle": (0, (2, 1)), "linewidth": 1.6, "zorder": 1.2}
MOST_BANDS = 3
"""Most setups for which mean ± 2 sd stays readable."""
_FAR = 4.0
"""A limit further off than this many times the largest value is written, not drawn."""
_LOG_FROM = 20.0


def draw_curves(axes: Axes, view: CompareView, panel: ComparedFigure) -> None:
    """Draw one figure of every setup against speed, with its limits."""
    for place in range(len(view.letters)):
        values = _values(view, place, panel)
        look = STYLES[place]
        axes.plot(
            view.speeds,
            values,
            color=look.colour,
            marker=look.marker,
            linestyle=look.line,
            label=view.letters[place],
            gid=f"setup {view.letters[place]}",
            **nested(place, len(view.letters)),
        )
        if panel is MEAN and len(view.letters) <= MOST_BANDS:
            sd = _values(view, place, SPREAD)
            for sign in (-2.0, 2.0):
                axes.plot(
                    view.speeds,
                    values + sign * sd,
                    color=look.colour,
                    linestyle=look.line,
                    linewidth=0.7,
                    marker="_" if len(values) == 1 else None,
                    gid="band",
                )
    _limits(axes, view, panel)
    axes.set_title(f"{panel.title} ({_unit(view, panel)})", fontweight="bold")
    _few_ticks(axes)


def _unit(view: CompareView, panel: ComparedFigure) -> str:
    return view.length_unit if panel in LENGTHS else "%"


def _few_ticks(axes: Axes) -> None:
    axes.margins(x=0.08)
    if axes.get_yscale() == "linear":
        axes.locator_params(axis="y", nbins=6)
    axes.locator_params(axis="x", nbins=5)


def _values(view: CompareView, place: int, panel: ComparedFigure) -> Floats:
    """Return a figure of one setup, in the drawn unit."""
    factor = view.length_factor if panel in LENGTHS else 100.0
    return factor * view.column(place, panel.value)


def _limits(axes: Axes, view: CompareView, panel: ComparedFigure) -> None:
    """Draw the limits of the figure, and make room for them if they are near."""
    criteria, factor = view.criteria, view.length_factor
    if panel is SPREAD:
        axes.set_ylim(0.0, 1.08 * (_most(axes) or 1.0))
        return
    low, high = axes.get_ylim()
    if panel is MEAN:
        tolerance = factor * criteria.placement_tolerance_mm
        if tolerance > _FAR * max(-low, high):
            axes.set_ylim(low, high + 0.1 * (high - low))
            _inside(axes, f"tolerance ±{tolerance:.4g} {view.length_unit}, off the scale", top=True)
            return
        ends = [-tolerance, tolerance]
        axes.axhline(0.0, color=BLACK, linewidth=0.6, zorder=1.0)
        axes.set_ylim(min(low, -1.12 * tolerance), max(high, 1.12 * tolerance))
    elif panel is WITHIN:
        ends = [100.0 * criteria.within_tolerance]
        short = max(100.0 - min(_least(axes), ends[0]), 1e-3)
        axes.set_ylim(100.0 - 1.08 * short, 100.0 + 0.05 * short)
    else:
        ends = [100.0 * (criteria.missed if panel is MISSED else criteria.jam_risk)]
        most = _most(axes)
        if ends[0] > _FAR * most > 0.0:
            axes.set_ylim(-0.04 * most, 1.2 * most)
            _inside(axes, f"acceptance {ends[0]:.4g} %, off the scale", top=True)
            return
        _from_zero(axes, ends[0], max(most, ends[0]))
    for end in ends:
        axes.axhline(end, **_LIMIT, gid="limit")


def _from_zero(axes: Axes, limit: float, top: float) -> None:
    """Scale an axis of shares (%): straight up to the limit, by powers of ten where far above."""
    if top > _LOG_FROM * limit > 0.0:
        from matplotlib.ticker import FixedLocator, FuncFormatter

        axes.set_yscale("symlog", linthresh=limit, linscale=0.6)
        decades = 10.0 ** np.arange(np.floor(np.log10(limit)), 3.0)
        axes.yaxis.set_major_locator(FixedLocator([0.0, *decades[decades >= limit * 0.999]]))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_locator(FixedLocator([]))
        axes.set_ylim(-0.15 * limit, 1.7 * top)
        return
    axes.set_ylim(-0.04 * (top or 1.0), 1.1 * (top or 1.0))


def _most(axes: Axes) -> float:
    return max(_drawn(axes), default=0.0)


def _least(axes: Axes) -> float:
    return min(_drawn(axes), default=100.0)


def _drawn(axes: Axes) -> list[float]:
    values = [float(v) for line in axes.lines for v in np.asarray(line.get_ydata())]
    return [value for value in values if not math.isnan(value)]


def draw_differences(axes: Axes, view: CompareView, panel: ComparedFigure) -> None:
    """Draw the paired differences to the first setup about a line at 0.

    A filled mark is decided: its interval excludes 0.
    """
    factor = view.length_factor if panel in LENGTHS else 100.0
    axes.axhline(0.0, color=BLACK, linewidth=0.8, zorder=1.5, gid="zero")
    others = len(view.letters) - 1
    steps = np.diff(view.speeds)
    step = float(steps.min()) if len(steps) else 0.1 * float(view.speeds[0])
    for place in range(others):
        found = view.differences(place, panel, factor)
        aside = 0.5 * step * ((place + 0.5) / others - 0.5) if others > 1 else 0.0
        _draw_one(axes, view.speeds + aside, found, place + 1)
    low, high = axes.get_ylim()
    edge = max(abs(low), abs(high)) if low * high < 0.0 or low == high else 0.0
    least = 1e-3 * factor if factor != 100.0 else 0.1
    if edge < least:
        axes.set_ylim(-least if low >= -least else low, least if high <= least else high)
    axes.margins(y=0.16)
    axes.autoscale_view(scalex=False)
    other = view.letters[1] if others == 1 else "other"
    unit = view.length_unit if panel in LENGTHS else "percentage points"
    axes.set_title(f"{other} − A ({unit})")
    _few_ticks(axes)
    if panel.sign:
        letter = view.letters[1] if others == 1 else "the other"
        sides = (f"{letter} better", "A better")
        below, above = sides if panel.sign < 0 else sides[::-1]
        _inside(axes, f"↑ {above}", top=True)
        _inside(axes, f"↓ {below}", top=False)


def _draw_one(axes: Axes, speeds: Floats, found: Differences, place: int) -> None:
    look = STYLES[place]
    decided = np.array([state in {"first", "other", "differ"} for state in found.states])
    axes.plot(speeds, found.size, color=look.colour, linestyle=look.line, linewidth=0.8)
    bars = np.nan_to_num(np.maximum([found.size - found.low, found.high - found.size], 0.0))
    for chosen, fill in ((decided, look.colour), (~decided, "white")):
        if chosen.any():
            axes.errorbar(
                speeds[chosen],
                found.size[chosen],
                yerr=bars[:, chosen],
                color=look.colour,
                marker=look.marker,
                markerfacecolor=fill,
                markersize=4.5,
                linestyle="none",
                linewidth=1.2,
                capsize=2.0,
                gid="decided" if fill != "white" else "open",
            )


def _inside(axes: Axes, text: str, *, top: bool) -> None:
    axes.text(
        0.03,
        0.985 if top else 0.015,
        text,
        transform=axes.transAxes,
        ha="left",
        va="top" if top else "bottom",
        fontsize=7.5,
    )
