"""The two panels of a column of the placement figure: histogram, and carrier after carrier."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.run.placement.column import Column, bins
from feedsim.answers.run.placement.thinning import MOST_DOTS, MOST_VECTOR_DOTS, thinned
from feedsim.render.canvas import (
    BLACK,
    BLUE,
    DASHED,
    GREEN,
    SKY,
    VERMILLION,
    above,
    true_minus,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.ticker import MaxNLocator

__all__ = ["draw_histogram", "draw_run", "legend_entries"]

_Look = dict[str, Any]

_BAR_INSIDE: _Look = {"facecolor": SKY, "edgecolor": BLUE, "linewidth": 0.6}
_BAR_OUTSIDE: _Look = {
    "facecolor": "white",
    "edgecolor": VERMILLION,
    "linewidth": 0.6,
    "hatch": "/////",
}
_TOLERANCE: _Look = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.3}
_TARGET: _Look = {"color": GREEN, "linewidth": 1.3}
_NORMAL: _Look = {"color": BLACK, "linewidth": 1.3}
_DOT: _Look = {"linestyle": "none", "marker": ".", "color": BLUE, "markeredgewidth": 0.0}
_CROSS: _Look = {"linestyle": "none", "marker": "x", "color": VERMILLION}
_FAR: _Look = {"linestyle": "none", "marker": "^", "color": VERMILLION, "markersize": 6.0}
_MISSED: _Look = {"linestyle": "none", "marker": "|", "color": BLACK, "markersize": 11.0}


def draw_histogram(axes: Axes, shown: Column) -> None:
    """Draw how the errors spread, against tolerance, target and the normal curve."""
    edges = bins(shown)
    # a value at the tolerance lies inside, though a bin takes its lower edge
    within = np.clip(shown.errors[shown.inside], None, shown.tolerance * (1.0 - 1e-9))
    inside, _ = np.histogram(within, edges)
    outside, _ = np.histogram(shown.errors[~shown.inside], edges)
    if inside.any():
        axes.stairs(inside, edges, fill=True, **_BAR_INSIDE)
    if outside.any():
        tops = np.where(outside > 0, inside + outside, np.nan)
        axes.stairs(tops, edges, baseline=inside, fill=True, **_BAR_OUTSIDE)
    _draw_normal(axes, shown, width=float(edges[1] - edges[0]))
    _draw_limits(axes, shown, upright=True)
    _label_limits(axes, shown)
    _tell_of_far_errors(axes, shown)
    axes.set_xlim(*shown.view)
    axes.set_ylim(0.0, max(1.0, axes.get_ylim()[1]))
    axes.xaxis.set_major_locator(_ticks(axes))
    axes.yaxis.set_major_locator(_ticks(axes, whole=True))
    axes.ticklabel_format(axis="y", style="plain")
    axes.set_xlabel(f"placement error ({shown.unit})")
    axes.set_ylabel(f"carriers per {edges[1] - edges[0]:.3g} {shown.unit}")
    if not len(shown.errors):
        axes.text(0.5, 0.5, "no insert placed", transform=axes.transAxes, ha="center", fontsize=11)


def _draw_normal(axes: Axes, shown: Column, *, width: float) -> None:
    errors = shown.figures.placement_error
    if not errors.sd_mm or errors.mean_mm is None:
        return
    mean, sd = errors.mean_mm * shown.factor, errors.sd_mm * shown.factor
    low, high = max(shown.view[0], mean - 5.0 * sd), min(shown.view[1], mean + 5.0 * sd)
    at = np.linspace(low, high, 300)
    height = errors.n * width / (sd * math.sqrt(2.0 * math.pi))
    axes.plot(at, height * np.exp(-0.5 * ((at - mean) / sd) ** 2), gid="normal", **_NORMAL)


def _draw_limits(axes: Axes, shown: Column, *, upright: bool) -> None:
    draw = axes.axvline if upright else axes.axhline
    draw(-shown.tolerance, gid="tolerance-lower", **_TOLERANCE)
    draw(shown.tolerance, gid="tolerance-upper", **_TOLERANCE)
    draw(0.0, gid="target", **_TARGET)


def _label_limits(axes: Axes, shown: Column) -> None:
    """Write above the histogram which line is which; no label reaches into another."""
    low, high = shown.view
    wide = 2.0 * shown.tolerance > 0.3 * (high - low)
    text, sides = shown.tolerance_text, ("center", "center") if wide else ("right", "left")
    lower, upper = -shown.tolerance, shown.tolerance
    above(axes, f"\u2212{text}", 4.0, x=lower, ha=sides[0], color=VERMILLION, fontsize=8.5)
    above(axes, f"+{text}", 4.0, x=upper, ha=sides[1], color=VERMILLION, fontsize=8.5)
    if wide:
        above(axes, "target", 4.0, x=0.0, color=GREEN, fontsize=8.5)


def _tell_of_far_errors(axes: Axes, shown: Column) -> None:
    for far, left in zip(shown.beyond, (True, False), strict=True):
        if not len(far):
            continue
        errors = shown.errors[far]
        to = true_minus(shown.signed(float(errors.min() if left else errors.max())))
        axes.text(
            0.01 if left else 0.99,
            0.75,
            f"\u2190 {len(far)} more,\nto {to}" if left else f"{len(far)} more, \u2192\nto {to}",
            transform=axes.transAxes,
            ha="left" if left else "right",
            color=VERMILLION,
            fontsize=8.5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )


def draw_run(axes: Axes, shown: Column) -> None:
    """Draw the errors over the carrier numbers, and where carriers were missed."""
    kept = np.arange(len(shown.errors))
    if len(kept) > MOST_DOTS:
        kept = thinned(shown.inside)
    below, over = shown.beyond
    in_view = ~np.isin(kept, np.concatenate((below, over)))
    inside = kept[shown.inside[kept]]
    outside = kept[~shown.inside[kept] & in_view]
    _dots(axes, shown, inside, look=_DOT | {"markersize": 3.5, "gid": "inside"})
    size = 4.5 if len(outside) < 300 else 2.5 if len(outside) < MOST_DOTS else 1.2
    _dots(axes, shown, outside, look=_CROSS | {"markersize": size, "gid": "outside"})
    _dots(axes, shown, below, look=_FAR | {"marker": "v", "gid": "below"})
    _dots(axes, shown, over, look=_FAR | {"gid": "above"})
    if len(shown.missed):
        axes.plot(
            shown.missed,
            np.zeros(len(shown.missed)),
            transform=axes.get_xaxis_transform(),
            clip_on=False,
            rasterized=len(shown.missed) > MOST_VECTOR_DOTS,
            gid="missed",
            **_MISSED,
        )
    _draw_limits(axes, shown, upright=False)
    first, last = shown.numbers
    room = max(0.5, 0.01 * (last - first))
    axes.set_xlim(first - room, max(first, last) + room)
    axes.set_ylim(*shown.view)
    axes.xaxis.set_major_locator(_ticks(axes, whole=True))
    axes.ticklabel_format(axis="x", style="plain")
    axes.set_xlabel("carrier number")
    axes.set_ylabel(f"placement error ({shown.unit})")
    _tell_of_thinning(axes, drawn=len(inside), all_dots=int(np.count_nonzero(shown.inside)))


def _dots(axes: Axes, shown: Column, which: NDArray[np.intp], *, look: _Look) -> None:
    if len(which):
        axes.plot(
            shown.carriers[which],
            np.clip(shown.errors[which], *shown.view),
            clip_on=False,
            rasterized=len(which) > MOST_VECTOR_DOTS,
            **look,
        )


def _tell_of_thinning(axes: Axes, *, drawn: int, all_dots: int) -> None:
    if drawn < all_dots:
        text = f"{drawn} of {all_dots} dots inside the tolerance are drawn, at an even step"
        above(axes, text, 3.0, fontsize=8.0)


def _ticks(axes: Axes, *, whole: bool = False) -> MaxNLocator:
    """Choose round numbers for an axis, and no more of them than have room."""
    from matplotlib.ticker import MaxNLocator

    most = 9 if axes.get_position().width > 0.3 else 5
    return MaxNLocator(nbins=most, integer=whole, steps=[1, 2, 2.5, 5, 10])


def legend_entries(columns: list[Column]) -> tuple[list[Any], list[str]]:
    """Return handles and labels of what these columns show, for a figure's legend."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    def line(look: _Look, **more: Any) -> Line2D:
        return Line2D([], [], **(look | more))

    entries: list[tuple[bool, Any, str]] = [
        (
            any(c.inside.any() for c in columns),
            (Patch(**_BAR_INSIDE), line(_DOT, markersize=5.0)),
            "inside the tolerance",
        ),
        (
            any((~c.inside).any() for c in columns),
            (Patch(**_BAR_OUTSIDE), line(_CROSS, markersize=5.0)),
            "outside",
        ),
        (any(len(f) for c in columns for f in c.beyond), line(_FAR), "far outside, off the scale"),
        (
            any(c.figures.placement_error.sd_mm for c in columns),
            line(_NORMAL),
            "normal curve of the same mean and sd",
        ),
        (True, line(_TOLERANCE), "tolerance"),
        (True, line(_TARGET), "target"),
        (any(len(c.missed) for c in columns), line(_MISSED), "missed carrier"),
    ]
    used = [entry for entry in entries if entry[0]]
    return [handle for _, handle, _ in used], [text for _, _, text in used]
