"""The four panels of a sweep: placement, missed carriers, jam risk, margins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.output.canvas import (
    BLACK,
    BLUE,
    DASHED,
    GREEN,
    GREY,
    ORANGE,
    SKY,
    VERMILLION,
)
from feedsim.output.sweep_curves import HAZARDS, SweepView
from feedsim.quantities import display_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_jam_risk", "draw_margins", "draw_missed", "draw_placement", "mark_refused"]

Floats = NDArray[np.float64]
_FLOOR = 1e-6
_CAUSES = (
    ("not_staged", BLUE, ""),
    ("late_mark", ORANGE, "//"),
    ("mark_memory_full", GREEN, "xx"),
    ("not_seen", SKY, ".."),
    ("merged", VERMILLION, "\\\\"),
    ("no_insert", GREY, "++"),
    ("line_stop", BLACK, ""),
)
_LOOKS = {
    "nose_strike": (BLUE, "o", "-"),
    "tail_held": (VERMILLION, "s", "--"),
    "speed_mismatch": (GREEN, "^", "-."),
    "off_carrier": (ORANGE, "D", ":"),
    "stray_insert": (SKY, "v", "-"),
    "double": (GREY, "P", "--"),
    "drive_overload": ("#CC79A7", "X", "-."),
}
_LIMIT: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.2}
_UNSEEN: dict[str, Any] = {
    "linestyle": "none",
    "markerfacecolor": "white",
    "marker": "v",
    "color": BLACK,
}


def draw_placement(axes: Axes, view: SweepView) -> None:
    """Mean placement error with its 95 % interval, mean ± 2 sd, and the tolerance."""
    factor = view.length_factor
    mean = factor * view.column(lambda f: f["placement_error"]["mean_mm"])
    sd = factor * view.column(lambda f: f["placement_error"]["sd_mm"])
    low, high = view.ends(lambda f: f["placement_error"]["mean_ci95_mm"])
    tolerance = factor * view.criteria.placement_tolerance_mm
    axes.fill_between(
        view.speeds, mean - 2.0 * sd, mean + 2.0 * sd, color=SKY, alpha=0.45, label="mean ± 2 sd"
    )
    axes.axhline(0.0, color=GREEN, linewidth=1.0, label="target")
    for sign in (-1.0, 1.0):
        axes.axhline(
            sign * tolerance, **_LIMIT, label="tolerance" if sign > 0.0 else None, gid="tolerance"
        )
    axes.errorbar(
        view.speeds,
        mean,
        yerr=np.nan_to_num(np.maximum([mean - factor * low, factor * high - mean], 0.0)),
        color=BLACK,
        marker="o",
        markersize=3.5,
        capsize=2.0,
        label="mean, 95 %",
    )
    widest = np.nanmax(np.abs(np.append(np.concatenate((mean - 2 * sd, mean + 2 * sd)), tolerance)))
    axes.set_ylim(-1.25 * widest, 1.25 * widest)
    axes.set_ylabel(f"placement error ({display_unit('length', view.units).label})")
    axes.legend(loc="upper left", ncols=2)


def draw_missed(axes: Axes, view: SweepView) -> None:
    """Missed carriers by cause, stacked, with the interval of all of them."""
    n = view.column(lambda f: f["placed"] + f["missed"]["count"])
    width = _bar_width(view.speeds)
    bottom = np.zeros(len(view.speeds))
    for cause, colour, hatch in _CAUSES:
        share = view.cause(cause)
        share = 100.0 * share / n
        if np.any(share > 0.0):
            label = cause.replace("_", " ")
            axes.bar(
                view.speeds,
                share,
                width,
                bottom=bottom,
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.0,
                label=label,
            )
            bottom += share
    low, high = (100.0 * end for end in view.ends(lambda f: f["missed"]["ci95"]))
    upper = 100.0 * view.column(lambda f: f["missed"]["upper95"])
    seen = np.isnan(upper)
    errors = np.nan_to_num(np.maximum([bottom - low, high - bottom], 0.0))[:, seen]
    axes.errorbar(
        view.speeds[seen],
        bottom[seen],
        yerr=errors,
        color=BLACK,
        linestyle="none",
        capsize=2.0,
        label="all, 95 %" if seen.any() else None,
    )
    if not seen.all():
        axes.plot(view.speeds, upper, **_UNSEEN, markersize=5, label="none seen: below, 95 %")
    limit = 100.0 * view.criteria.missed
    axes.axhline(limit, **_LIMIT, label="acceptance")
    axes.set_ylim(0.0, 1.35 * np.nanmax([limit, *high, *np.nan_to_num(upper)]))
    axes.set_ylabel("missed carriers (%)")
    axes.legend(loc="upper left", ncols=2)


def draw_jam_risk(axes: Axes, view: SweepView) -> None:
    """Share of feed cycles with each hazard on a log axis: seen, or else its normal tail."""
    for name in HAZARDS:
        colour, marker, style = _LOOKS[name]
        share = view.hazard(name, "share")
        tail = view.hazard(name, "tail_probability")
        shown = np.where(np.nan_to_num(share) > 0.0, share, tail)
        if not np.any(np.nan_to_num(shown) > _FLOOR):
            continue
        shown = np.where(np.nan_to_num(shown) > _FLOOR, shown, np.nan)
        axes.plot(
            view.speeds,
            shown,
            color=colour,
            marker=marker,
            markersize=4,
            linestyle=style,
            label=name.replace("_", " "),
        )
    risk = view.column(lambda f: f["jam_risk"]["share"])
    low, high = view.ends(lambda f: f["jam_risk"]["ci95"])
    upper = view.column(lambda f: f["jam_risk"]["upper95"])
    seen = np.nan_to_num(risk) > 0.0
    axes.errorbar(
        view.speeds[seen],
        risk[seen],
        yerr=np.maximum([(risk - low)[seen], (high - risk)[seen]], 0.0),
        color=BLACK,
        marker="o",
        markersize=3.5,
        linewidth=2.6,
        zorder=1.5,
        capsize=2.0,
        label="jam risk, 95 %" if seen.any() else None,
    )
    if not np.isnan(upper).all():
        axes.plot(view.speeds, upper, **_UNSEEN, markersize=5, label="none seen: below, 95 %")
    axes.axhline(view.criteria.jam_risk or _FLOOR, **_LIMIT, label="acceptance")
    axes.set_yscale("log")
    axes.set_ylim(_FLOOR, 30.0)
    decades = [10.0**k for k in range(-6, 1)]
    axes.set_yticks(decades, [f"{100.0 * share:.4g} %" for share in decades])
    axes.minorticks_off()
    axes.set_ylabel("share of feed cycles")
    axes.legend(loc="upper left", ncols=3)


def draw_margins(axes: Axes, view: SweepView) -> None:
    """Margins in length, mean ± 2 sd, with their zero.

    Speed mismatch and drive overload have other units and are left to the jam risk.
    """
    factor = view.length_factor
    for name in ("nose_strike", "tail_held", "off_carrier"):
        colour, marker, style = _LOOKS[name]
        mean = factor * view.hazard(name, "margin_mean")
        sd = factor * view.hazard(name, "margin_sd")
        axes.errorbar(
            view.speeds,
            mean,
            yerr=np.nan_to_num(2.0 * sd),
            color=colour,
            marker=marker,
            markersize=4,
            linestyle=style,
            capsize=2.0,
            label=name.replace("_", " "),
        )
    axes.axhline(0.0, **_LIMIT, label="limit")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.25 * (high - low))
    axes.set_ylabel(f"margin, mean ± 2 sd ({display_unit('length', view.units).label})")
    axes.legend(loc="upper left", ncols=4)


def mark_refused(axes: Axes, view: SweepView) -> None:
    """Mark speeds at which a point is not accepted by a cross on the speed axis."""
    refused = np.unique(view.speeds[~view.accepted])
    axes.plot(
        refused,
        np.zeros(len(refused)),
        transform=axes.get_xaxis_transform(),
        color=VERMILLION,
        marker="x",
        markersize=5,
        markeredgewidth=1.6,
        linestyle="none",
        clip_on=False,
        zorder=5.0,
        gid="refused",
    )


def _bar_width(speeds: Floats) -> float:
    steps = np.diff(np.unique(speeds))
    return float(0.6 * steps.min()) if len(steps) else 0.1 * float(speeds[0])
