"""Panels of the overview: how the errors spread, and how they come carrier after carrier."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.run.overview.happened import MarkRow
from feedsim.answers.run.overview.shown import MOST_DOTS, MOST_VECTOR_DOTS, Shown, bins, thinned
from feedsim.arrays import Places
from feedsim.quantities import whole
from feedsim.records.stored import AT_ONCE
from feedsim.render.canvas import (
    BLACK,
    BLUE,
    DASHED,
    GREEN,
    GREY,
    ORANGE,
    SKY,
    VERMILLION,
    above,
    true_minus,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.ticker import MaxNLocator

_Style = dict[str, Any]

_MOST_WORDS = 60
"""More marks than this have neither words nor lines through the errors."""
_FEW = 300  # errors, drawn larger
_LETTER = 0.0058
"""The width of a letter beside a mark, a share of the axes."""

_BAR_INSIDE: _Style = {"facecolor": SKY, "edgecolor": BLUE, "linewidth": 0.6}
_BAR_OUTSIDE: _Style = {
    "facecolor": "white",
    "edgecolor": VERMILLION,
    "linewidth": 0.6,
    "hatch": "/////",
}
_TOLERANCE: _Style = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.3}
_TARGET: _Style = {"color": GREEN, "linewidth": 1.3}
_NORMAL: _Style = {"color": BLACK, "linewidth": 1.3}
_DOT: _Style = {"linestyle": "none", "marker": ".", "color": BLUE, "markeredgewidth": 0.0}
_CROSS: _Style = {"linestyle": "none", "marker": "x", "color": VERMILLION}
_FAR: _Style = {"linestyle": "none", "marker": "^", "color": VERMILLION, "markersize": 6.0}
_REGIMES: tuple[_Style, ...] = (
    {"linewidth": 1.4},
    {"linewidth": 1.4, "linestyle": (0, (4, 2))},
    {"linewidth": 1.4, "linestyle": (0, (1, 1.5))},
    {"linewidth": 1.4, "linestyle": (0, (6, 1.5, 1, 1.5))},
)
_MARKS: dict[str, _Style] = {
    "missed": {"marker": "|", "color": BLACK, "markersize": 8.0},
    "hazard": {"marker": "|", "color": VERMILLION, "markersize": 8.0},
    "stopped": {"marker": "s", "color": BLACK, "markersize": 4.5},
    "fault": {"marker": "v", "color": ORANGE, "markersize": 6.0, "markeredgecolor": BLACK},
    "changed": {"marker": "D", "color": GREEN, "markersize": 5.0},
}
_THROUGH = {"stopped": ":", "changed": "-"}


def draw_histogram(axes: Axes, shown: Shown) -> None:
    """Draw how the errors spread, against tolerance, target and the normal curve."""
    edges = bins(shown)
    # a value at the tolerance lies inside, though a bin takes its lower edge
    most = shown.tolerance * (1.0 - 1e-9)
    inside = np.zeros(len(edges) - 1, dtype=np.intp)
    for i in range(0, len(shown.errors), AT_ONCE):
        part = slice(i, i + AT_ONCE)
        within = np.minimum(shown.errors[part][shown.inside[part]], most)
        inside += np.histogram(within, edges)[0]
    outside, _ = np.histogram(shown.errors[~shown.inside], edges)
    if inside.any():
        axes.stairs(inside, edges, fill=True, **_BAR_INSIDE)
    if outside.any():
        tops = np.where(outside > 0, inside + outside, np.nan)
        axes.stairs(tops, edges, baseline=inside, fill=True, **_BAR_OUTSIDE)
    if shown.steady:
        _draw_normal(axes, shown, width=float(edges[1] - edges[0]))
    else:
        for regime in _regimes(shown):  # between each two changes, with a line of its own
            counts, _ = np.histogram(shown.errors[shown.regime == regime], edges)
            axes.stairs(counts, edges, color=BLACK, gid=f"regime {regime}", **_REGIMES[regime])
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
        axes.text(0.5, 0.5, "no insert placed", transform=axes.transAxes, ha="center", fontsize=11,
                  bbox={"facecolor": "white", "edgecolor": "none", "pad": 2.0})  # fmt: skip


def _draw_normal(axes: Axes, shown: Shown, *, width: float) -> None:
    errors = shown.figures.placement_error
    if not errors.sd_mm or errors.mean_mm is None:
        return
    mean, sd = errors.mean_mm * shown.factor, errors.sd_mm * shown.factor
    low, high = max(shown.view[0], mean - 5.0 * sd), min(shown.view[1], mean + 5.0 * sd)
    at = np.linspace(low, high, 300)
    height = errors.n * width / (sd * math.sqrt(2.0 * math.pi))
    axes.plot(at, height * np.exp(-0.5 * ((at - mean) / sd) ** 2), gid="normal", **_NORMAL)


def _regimes(shown: Shown) -> list[int]:
    if shown.regime is None or not shown.regime.any():
        return []
    return [int(regime) for regime in np.unique(shown.regime)]


def _draw_limits(axes: Axes, shown: Shown, *, upright: bool) -> None:
    draw = axes.axvline if upright else axes.axhline
    draw(-shown.tolerance, gid="tolerance-lower", **_TOLERANCE)
    draw(shown.tolerance, gid="tolerance-upper", **_TOLERANCE)
    draw(0.0, gid="target", **_TARGET)


def _label_limits(axes: Axes, shown: Shown) -> None:
    """Label the lines above the histogram, without overlap."""
    low, high = shown.view
    wide = 2.0 * shown.tolerance > 0.3 * (high - low)
    text, sides = shown.tolerance_text, ("center", "center") if wide else ("right", "left")
    lower, upper = -shown.tolerance, shown.tolerance
    above(axes, f"\u2212{text}", 4.0, x=lower, ha=sides[0], color=VERMILLION, fontsize=8.5)
    above(axes, f"+{text}", 4.0, x=upper, ha=sides[1], color=VERMILLION, fontsize=8.5)
    if wide:
        above(axes, "target", 4.0, x=0.0, color=GREEN, fontsize=8.5)


def _tell_of_far_errors(axes: Axes, shown: Shown) -> None:
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


def draw_run(axes: Axes, shown: Shown) -> None:
    """Draw the errors over the carrier numbers, with lines at stops and changes."""
    kept = thinned(shown.inside)
    below, over = shown.beyond
    in_view = ~np.isin(kept, np.concatenate((below, over)))
    inside = kept[shown.inside[kept]]
    outside = kept[~shown.inside[kept] & in_view]
    few = len(shown.errors) < _FEW
    _dots(axes, shown, inside, look=_DOT | {"markersize": 6.5 if few else 3.5, "gid": "inside"})
    size = 4.5 if len(outside) < 300 else 2.5 if len(outside) < MOST_DOTS else 1.2
    _dots(axes, shown, outside, look=_CROSS | {"markersize": size, "gid": "outside"})
    _dots(axes, shown, below, look=_FAR | {"marker": "v", "gid": "below"})
    _dots(axes, shown, over, look=_FAR | {"gid": "above"})
    for lane in shown.lanes:
        if lane.name in _THROUGH and len(lane.carriers) <= _MOST_WORDS:
            for carrier in lane.carriers - 0.5:
                axes.axvline(carrier, color=GREY, linewidth=0.8, linestyle=_THROUGH[lane.name])
    _draw_limits(axes, shown, upright=False)
    axes.set_ylim(*shown.view)
    axes.tick_params(axis="x", labelbottom=False)
    axes.set_ylabel(f"placement error ({shown.unit})")
    all_dots = int(np.count_nonzero(shown.inside))
    if len(inside) < all_dots:
        text = f"{len(inside)} of {all_dots} dots inside the tolerance are drawn, at an even step"
        axes.set_title(text, loc="left", pad=3.0, fontsize=8.0)  # hazards' label is in the middle


def draw_lanes(axes: Axes, shown: Shown) -> None:
    """Draw what happened, kind by kind, at the same carriers as the errors above."""
    first, last = shown.numbers
    room = max(0.5, 0.01 * (last - first))
    axes.set_xlim(first - room, max(first, last) + room)
    for row, lane in enumerate(shown.lanes):
        axes.plot(
            lane.carriers,
            np.full(len(lane.carriers), row),
            linestyle="none",
            rasterized=len(lane.carriers) > MOST_VECTOR_DOTS,
            gid=lane.name,
            **_MARKS[lane.name],
        )
        _write_words(axes, row, lane, width=(last - first) or 1)
    names = [f"{lane.name} {whole(len(lane.carriers))}" for lane in shown.lanes]
    axes.set_yticks(range(len(names)), names, fontsize=8.0)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0.0)
    axes.grid(axis="y", color=GREY, linewidth=0.3)
    axes.set_axisbelow(True)
    if last > first:
        axes.xaxis.set_major_locator(_ticks(axes, whole=True))
        axes.ticklabel_format(axis="x", style="plain")
    else:
        axes.set_xticks([first], [str(first)])
    axes.set_xlabel("carrier number")


def _write_words(axes: Axes, row: int, lane: MarkRow, *, width: int) -> None:
    """Label each mark, if there is room before the next one."""
    if len(lane.carriers) > _MOST_WORDS:
        return
    ends = [*lane.carriers[1:].tolist(), axes.get_xlim()[1] + 0.02 * width]
    for carrier, end, words in zip(lane.carriers.tolist(), ends, lane.words, strict=False):
        if (end - carrier) / width > 0.012 + _LETTER * len(words):
            axes.annotate(
                words,
                (carrier, row),
                (5.0, 0.0),
                textcoords="offset points",
                va="center",
                fontsize=7.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )


def _dots(axes: Axes, shown: Shown, which: Places, *, look: _Style) -> None:
    if len(which):
        axes.plot(
            shown.carriers(which),
            np.clip(shown.errors[which], *shown.view),
            clip_on=False,
            rasterized=len(which) > MOST_VECTOR_DOTS,
            **look,
        )


def _ticks(axes: Axes, *, whole: bool = False) -> MaxNLocator:
    """Choose as many round numbers for an axis as fit."""
    from matplotlib.ticker import MaxNLocator

    most = 9 if axes.get_position().width > 0.3 else 5
    return MaxNLocator(nbins=most, integer=whole, steps=[1, 2, 2.5, 5, 10])


def legend_entries(shown: Shown) -> tuple[list[Any], list[str]]:
    """Return handles and labels of what histogram and run show, for a legend."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    def line(look: _Style, **more: Any) -> Line2D:
        return Line2D([], [], **(look | more))

    regimes = _regimes(shown)
    names = ["before the change" if len(regimes) == 2 else "before any change"]
    names += ["after it"] if len(regimes) == 2 else [f"after change {n}" for n in regimes[1:]]
    entries: list[tuple[bool, Any, str]] = [
        (
            bool(shown.inside.any()),
            (Patch(**_BAR_INSIDE), line(_DOT, markersize=5.0)),
            "inside the tolerance",
        ),
        (
            bool((~shown.inside).any()),
            (Patch(**_BAR_OUTSIDE), line(_CROSS, markersize=5.0)),
            "outside",
        ),
        (any(len(far) for far in shown.beyond), line(_FAR), "far outside, off the scale"),
        (
            shown.steady and bool(shown.figures.placement_error.sd_mm),
            line(_NORMAL),
            "normal curve of the same mean and sd",
        ),
        *(
            (True, line(_NORMAL | _REGIMES[regime]), name)
            for regime, name in zip(regimes, names, strict=False)
        ),
        (True, line(_TOLERANCE), "tolerance"),
        (True, line(_TARGET), "target"),
    ]
    used = [entry for entry in entries if entry[0]]
    return [handle for _, handle, _ in used], [text for _, _, text in used]
