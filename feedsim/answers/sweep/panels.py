"""Panels of a sweep that are lengths and other margins: placement, margins to each hazard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.sweep.curves import SweepView
from feedsim.answers.sweep.layout import head, say
from feedsim.answers.sweep.scale import round_numbers
from feedsim.arrays import Bools, Floats
from feedsim.metrics.cycle_hazards import HazardName
from feedsim.metrics.intervals import normal_quantile
from feedsim.quantities import display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREEN, GREY, ORANGE, SKY, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes


STYLES: dict[HazardName, tuple[str, str, str]] = {
    "nose_strike": (BLUE, "o", "-"),
    "tail_held": (VERMILLION, "s", "--"),
    "speed_mismatch": (GREEN, "^", "-."),
    "off_carrier": (ORANGE, "D", ":"),
    "stray_insert": (SKY, "v", "-"),
    "double": (GREY, "P", "--"),
    "drive_overload": ("#CC79A7", "X", "-."),
}
"""Colour, mark and line of each hazard."""

LIMIT: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.2}
_BAND: dict[str, Any] = {"color": SKY, "alpha": 0.45, "linewidth": 0.0}
_MOST_TOLERANCES = 6.0  # up to which a placement error is drawn
_LENGTHS: tuple[HazardName, ...] = ("nose_strike", "tail_held", "off_carrier")
_ALIKE = 12.0  # ratio of margins that one even axis still shows
_MARKS = 16


def some(view: SweepView, *, shift: int = 0) -> Bools:
    """Return which points carry a mark: all, or some at an even step."""
    which = np.ones(len(view.x), dtype=np.bool_)
    if view.scale.flowing:
        step = -(-len(which) // _MARKS)
        which[:] = False
        which[shift * step // 4 % step :: step] = True
    return which


def _area(axes: Axes, view: SweepView, low: Floats, high: Floats, **look: Any) -> None:
    """Fill between two columns: over the whole stretch, or as bars if points are not joined."""
    if view.scale.joined:
        axes.fill_between(view.x, low, high, **look)
    else:
        left, right = view.scale.bars
        axes.bar(left, high - low, right - left, bottom=low, align="edge", **look)


def draw_placement(axes: Axes, view: SweepView) -> int:
    """Mean placement error with its 95 % interval, mean ± 2 sd, and the tolerance."""
    factor, criteria = view.length_factor, view.criteria
    unit = display_unit("length", view.units).label
    mean = factor * view.column(lambda f: f.placement_error.mean_mm)
    sd = np.nan_to_num(factor * view.column(lambda f: f.placement_error.sd_mm))
    low, high = view.ends(lambda f: f.placement_error.mean_ci95_mm)
    tolerance = factor * criteria.placement_tolerance_mm
    axes.axhline(0.0, color=GREEN, linewidth=1.0, label="target", gid="target")
    for sign in (-1.0, 1.0):
        axes.axhline(
            sign * tolerance, **LIMIT, label="tolerance" if sign > 0.0 else None, gid="tolerance"
        )
    _mean(axes, view, mean, ends=(factor * low, factor * high))
    _area(axes, view, mean - 2.0 * sd, mean + 2.0 * sd, label="mean ± 2 sd", **_BAND)
    _needed_spread(axes, view, mean, sd)
    if np.isnan(mean).all():
        say(axes, "no insert placed")
    widest = np.nanmax(np.abs([*(mean - 3.0 * sd), *(mean + 3.0 * sd), tolerance]))
    top = 1.12 * min(float(widest), _MOST_TOLERANCES * tolerance)
    axes.set_ylim(-top, top)
    _tell_of_far(axes, view, mean, top)
    return head(axes, f"Placement error ({unit}); above 0 the insert lies too far back")


def _mean(axes: Axes, view: SweepView, mean: Floats, *, ends: tuple[Floats, Floats]) -> None:
    look: dict[str, Any] = {"color": BLACK, "linestyle": "-" if view.scale.joined else "none"}
    if view.scale.flowing:
        axes.fill_between(view.x, *ends, color=BLACK, alpha=0.35, linewidth=0.0)
        axes.plot(view.x, mean, label="mean, 95 %", gid="mean", linewidth=0.9, color=BLACK)
        return
    axes.errorbar(
        view.x,
        mean,
        yerr=np.nan_to_num(np.maximum([mean - ends[0], ends[1] - mean], 0.0)),
        marker="o",
        markersize=3.5,
        capsize=2.0,
        label="mean, 95 %",
        gid="mean",
        **look,
    )


def _needed_spread(axes: Axes, view: SweepView, mean: Floats, sd: Floats) -> None:
    """Outline the spread at which just enough errors lie in tolerance, if normal."""
    share = view.criteria.within_tolerance
    if not 0.0 < share < 1.0:
        return
    reach = normal_quantile(share) * sd
    label: str | None = f"{100.0 * share:.6g} % if normal"
    for edge in (mean - reach, mean + reach):
        axes.plot(
            view.x,
            edge,
            color=BLUE,
            linestyle=":" if view.scale.joined else "none",
            marker="" if view.scale.joined else "_",
            markersize=14.0,
            linewidth=1.2,
            label=label,
            gid="needed spread",
        )
        label = None


def _tell_of_far(axes: Axes, view: SweepView, mean: Floats, top: float) -> None:
    """Mark means beyond the axis by arrows at its edge."""
    for sign, marker in ((1.0, "^"), (-1.0, "v")):
        far = sign * mean > top
        if far.any():
            axes.plot(
                view.x[far],
                np.full(int(far.sum()), sign * 0.92 * top),
                linestyle="none",
                marker=marker,
                color=BLACK,
                markersize=5.0,
                label="off the scale",
                gid="far",
            )


def draw_margins(axes: Axes, view: SweepView) -> int:
    """Margins in length, mean ± 2 sd, with their zero."""
    unit = display_unit("length", view.units).label
    reaches = [
        _margin(axes, view, name, factor=view.length_factor, place=place)
        for place, name in enumerate(_LENGTHS)
    ]
    axes.axhline(0.0, **LIMIT, label="limit", gid="zero")
    if not any(reaches):
        axes.set_yticks([0.0])
        say(axes, "no feed cycle")
    scaled = _fit(axes, [reach for reach in reaches if reach])
    return head(axes, f"Margins, mean ± 2 sd ({unit}){scaled}")


def draw_margin(axes: Axes, view: SweepView, name: HazardName) -> int:
    """Draw the margin of one hazard that is no length, mean ± 2 sd, with its zero."""
    unit, factor = "%", 1.0
    if name == "drive_overload":
        unit, factor = display_unit("acceleration", view.units)
    reach = _margin(axes, view, name, factor=factor, place=None)
    axes.axhline(0.0, **LIMIT, gid="zero")
    if reach:
        _fit(axes, [reach])
    else:
        axes.set_yticks([0.0])
        axes.set_ylim(-1.0, 1.0)
        say(axes, "no landing" if name == "speed_mismatch" else "no limit, or no feed cycle")
    axes.locator_params(axis="y", nbins=4)
    of = "Speed mismatch at the landing" if name == "speed_mismatch" else "Drive"
    return head(axes, f"{of}: margin, mean ± 2 sd ({unit})")


def _margin(
    axes: Axes, view: SweepView, name: HazardName, *, factor: float, place: int | None
) -> tuple[float, float] | None:
    """Draw one margin; return from where to where it reaches, None where there is none.

    ``place``: its place among the lengths, which share a panel and so need a legend.
    """
    colour, marker, style = STYLES[name]
    mean = factor * view.hazard(name, lambda h: h.margin_mean)
    if np.isnan(mean).all():
        return None
    spread = 2.0 * np.nan_to_num(factor * view.hazard(name, lambda h: h.margin_sd))
    low, high = mean - spread, mean + spread
    look: dict[str, Any] = {
        "color": colour,
        "markersize": 4.0,
        "marker": marker,
        "linestyle": style if view.scale.joined else "none",
        "label": "_" if place is None else name.replace("_", " "),
        "gid": name,
    }
    if view.scale.flowing:
        axes.fill_between(view.x, low, high, color=colour, alpha=0.25, linewidth=0.0)
        marked = some(view, shift=place or 0).nonzero()[0].tolist()
        axes.plot(view.x, mean, markevery=marked, **look)
    else:
        x = view.scale.beside(place or 0, 1 if place is None else len(_LENGTHS))
        axes.errorbar(x, mean, yerr=spread, capsize=2.0, **look)
    return float(np.nanmin(low)), float(np.nanmax(high))


def _fit(axes: Axes, reaches: list[tuple[float, float]]) -> str:
    """Fit the axis to margins of very different size; return a note about it."""
    low = min([0.0, *(low for low, _ in reaches)])
    high = max([0.0, *(high for _, high in reaches)])
    sizes = [max(abs(end) for end in reach) for reach in reaches]
    if not sizes or min(sizes) <= 0.0 or max(sizes) < _ALIKE * min(sizes):
        room = 0.12 * (high - low) or 1.0
        axes.set_ylim(low - room, high + room)
        return ""
    linear = float(f"{1.5 * min(sizes):.1g}")
    beyond = float(np.log10(max(sizes) / linear))
    axes.set_yscale("symlog", linthresh=linear, linscale=max(0.5, beyond))
    axes.set_ylim(min(1.3 * low, -0.3 * linear), max(1.3 * high, 0.3 * linear))
    above = round_numbers(1.6 * linear, 1.2 * max(sizes), decades=1.2)
    ticks = [*(-tick for tick in reversed(above)), -linear, 0.0, linear, *above]
    axes.set_yticks(ticks, [f"{tick:.4g}".replace("-", "\u2212") for tick in ticks])
    axes.set_ylim(min(1.3 * low, -0.3 * linear), max(1.3 * high, 0.3 * linear))
    axes.minorticks_off()
    return f"; linear to {linear:.4g}, then logarithmic"
