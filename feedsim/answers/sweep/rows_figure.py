"""A sweep over one axis row by row: how the errors spread, and how much room each hazard has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.sweep.curves import SweepView, sweep_view
from feedsim.answers.sweep.layout import titled_page
from feedsim.answers.sweep.panels import LIMIT, STYLES
from feedsim.answers.sweep.scale import every
from feedsim.answers.sweep.study import Swept
from feedsim.answers.sweep.text import subtitle_of
from feedsim.arrays import Floats
from feedsim.metrics.error_counts import ErrorCounts
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display_unit, whole
from feedsim.render.canvas import BLACK, BLUE, GREEN, SKY, VERMILLION, one_each

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


PLACEMENT = "placement_error"
_MOST_ROWS = 14
_TALL = 0.86  # of the highest bar, in rows
_MOST_SDS = 12.0  # up to which room is drawn
_LEAST_SHARE = 1e-9  # where none is accepted
_BEYOND = 64  # bins within which errors are counted, either side
_BOTTOM, _HIGH = 0.135, 0.745
_STYLES: dict[str, tuple[str, str, str]] = {PLACEMENT: (BLACK, "o", "-")} | dict(STYLES.items())


def rows_figures(swept: Swept, *, units: System = "metric") -> dict[str, Figure]:
    """Draw, of a sweep over one axis, a row for each point: its histogram and what binds there.

    The slowest is the lowest. Left: histograms of the placement errors over one tolerance, each
    scaled to its tallest bar, with the number placed and the share within tolerance. Right: the
    room beyond acceptance (:func:`spare_sds`); 0 is the limit; the lowest binds, and is named. If
    there are many points, some of them have rows, at an even step. Empty if the points have no
    counts of errors.
    """
    if not all(point.placement_errors for point in swept.points):
        return {}
    feeders = len(swept.points[0].results.feeders)
    return one_each("rows", feeders, lambda n: _figure(sweep_view(swept, n, units=units), swept))


def spare_sds(view: SweepView, counts: Sequence[ErrorCounts]) -> dict[str, Floats]:
    """Return the room beyond acceptance at every point, in standard deviations, shape (n,) each.

    For the placement: from the error below which acceptance wants its share, as counted, to the
    tolerance. For a hazard: the mean margin, less what a normal curve needs to meet acceptance.
    NaN for no such figure, infinite if nothing spreads.
    """
    criteria = view.criteria
    reach = np.array([_reach_mm(found, criteria.within_tolerance) for found in counts])
    sd = view.column(lambda f: f.placement_error.sd_mm)
    found = {PLACEMENT: _sds(criteria.placement_tolerance_mm - reach, sd)}
    needed = NormalDist().inv_cdf(1.0 - min(max(criteria.jam_risk, _LEAST_SHARE), 0.5))
    for name in STYLES:
        margin = view.hazard(name, lambda h: h.margin_mean)
        found[name] = _sds(margin, view.hazard(name, lambda h: h.margin_sd)) - needed
    return found


def _reach_mm(found: ErrorCounts, share: float) -> float:
    """Return the error (mm) within which a share of the placed inserts stays.

    Linear within a bin; at most the end of the bins; NaN if nothing was placed.
    """
    first = round(found.from_mm / found.bin_mm)
    bins = first + np.arange(len(found.counts))
    sizes = np.bincount(np.where(bins < 0, -bins - 1, bins), weights=found.counts)
    placed = sum(found.counts) + found.below + found.above
    if not placed:
        return float("nan")
    so_far = np.concatenate(([0.0], np.cumsum(sizes)))
    if so_far[-1] < share * placed:
        return found.bin_mm * max(len(sizes), _BEYOND)
    return float(found.bin_mm * np.interp(share * placed, so_far, np.arange(len(so_far))))


def _sds(margin: Floats, sd: Floats) -> Floats:
    """Return margins in standard deviations; infinite if nothing spreads."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(margin / sd, dtype=np.float64)


def _figure(view: SweepView, swept: Swept) -> Figure:
    counts = [point.placement_errors[view.number] for point in swept.points]
    subtitle = subtitle_of(swept, view.units)
    figure = titled_page(f"{swept.title} · {view.name}", subtitle)
    shown = every(len(view.points), most=_MOST_ROWS)
    axes = figure.add_axes((0.1, _BOTTOM, 0.36, _HIGH))
    fan = figure.add_axes((0.61, _BOTTOM, 0.25, _HIGH))
    _draw_histograms(axes, view, [(i, counts[i]) for i in shown])
    spare = spare_sds(view, counts)
    binding = _draw_fan(fan, view, spare, shown)
    for one in (axes, fan):
        one.set_ylim(-0.35, len(shown) - 1 + 1.05)
        one.set_yticks(range(len(shown)), [view.scale.texts[i] for i in shown])
        one.grid(axis="y", color="#dddddd", linewidth=0.6)
        one.set_axisbelow(True)
    axes.set_ylabel(view.scale.label)
    handles, labels = fan.get_legend_handles_labels()
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.056), ncols=len(labels))
    every_row = "" if len(shown) == len(counts) else f" {len(shown)} of {len(counts)} are drawn."
    for y, said in (
        (
            0.033,
            "Room, in standard deviations: of the placement error as counted, of a margin what a "
            "normal curve leaves beyond acceptance. The lowest binds. Strays, doubles and misses "
            "have no margin.",
        ),
        (0.015, f"{_far_ones(spare, shown)}{every_row and f' Of the points{every_row}'}".strip()),
    ):
        figure.text(0.5, y, said, ha="center", va="center", fontsize=8.0)
    figure.set_label(
        f"{subtitle}. A row for each point, {view.scale.label}.{every_row} Histograms of the "
        f"placement errors in one tolerance, and the room of the placement error and each hazard; "
        f"what binds: {'; '.join(f'{view.scale.texts[i]} {what}' for i, what in binding)}."
    )
    return figure


def _is_far(room: Floats) -> bool:
    """Return whether all values lie beyond the axis, where they would hide each other."""
    return bool(np.nanmin(room, initial=math.inf) > _MOST_SDS) and not np.isnan(room).all()


def _far_ones(spare: dict[str, Floats], shown: list[int]) -> str:
    """Name the margins that lie beyond the axis everywhere."""
    far = [name.replace("_", " ") for name, room in spare.items() if _is_far(room[shown])]
    return f"Over {_MOST_SDS:.0f} everywhere, so not drawn: {', '.join(far)}." if far else ""


def _draw_histograms(axes: Axes, view: SweepView, rows: list[tuple[int, ErrorCounts]]) -> None:
    factor, unit = view.length_factor, display_unit("length", view.units).label
    tolerance = factor * view.criteria.placement_tolerance_mm
    low, high = -1.3 * tolerance, 1.3 * tolerance
    for row, (_, found) in enumerate(rows):
        edges = factor * (found.from_mm + found.bin_mm * np.arange(len(found.counts) + 1.0))
        heights = _TALL * np.array(found.counts) / (max(found.counts, default=1) or 1)
        middles = 0.5 * (edges[1:] + edges[:-1])
        axes.stairs(row + heights, edges, baseline=row, fill=True, color=SKY, gid=f"row {row}")
        outside = np.where(np.abs(middles) > tolerance, heights, np.nan)
        if np.nan_to_num(outside).any():
            axes.stairs(
                row + outside, edges, baseline=row, fill=True, facecolor="white", hatch="/////",
                edgecolor=VERMILLION, linewidth=0.5, gid="outside",
            )  # fmt: skip
        axes.stairs(row + heights, edges, baseline=None, color=BLUE, linewidth=0.7)
        if found.counts:
            low, high = min(low, float(edges[0])), max(high, float(edges[-1]))
    axes.axvline(0.0, color=GREEN, linewidth=1.0, gid="target")
    for sign in (-1.0, 1.0):
        axes.axvline(sign * tolerance, gid="tolerance", **LIMIT)
    axes.set_xlim(low, high)
    axes.set_xlabel(f"placement error ({unit}); dashed: tolerance")
    axes.set_title("Placement errors, each row as tall as its tallest bar", fontweight="bold")
    look: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "fontsize": 7.5}
    for row, (place, found) in enumerate(rows):
        axes.text(1.02, row, _numbers(view, place, found), va="bottom", gid="numbers", **look)


def _numbers(view: SweepView, place: int, found: ErrorCounts) -> str:
    error = view.feeders[place].placement_error
    if not error.n:
        return "none placed"
    share = percent(error.within_tolerance, error.within_tolerance_ci95)
    beyond = found.below + found.above
    text = f"n = {whole(error.n)}\n{share} in tolerance"
    return f"{text}\n{whole(beyond)} far off, not drawn" if beyond else text


def _draw_fan(
    axes: Axes, view: SweepView, spare: dict[str, Floats], shown: list[int]
) -> list[tuple[int, str]]:
    """Draw the room of each against the rows; return what binds at each point that has a row."""
    rows = np.arange(len(shown))
    for name, room in spare.items():
        drawn = np.clip(room[shown], -_MOST_SDS, _MOST_SDS)
        colour, marker, line = _STYLES[name]
        if not np.isnan(drawn).all() and not _is_far(room[shown]):
            axes.plot(
                drawn, rows, color=colour, marker=marker, markersize=4.0,
                linestyle=line if view.scale.joined else "",
                label=name.replace("_", " "), gid=name, clip_on=False,
            )  # fmt: skip
    axes.axvline(0.0, **LIMIT, gid="zero")
    known = [room[shown] for room in spare.values() if not np.isnan(room[shown]).all()]
    least = min((float(np.nanmin(room)) for room in known), default=0.0)
    axes.set_xlim(max(-_MOST_SDS, min(-2.0, least - 0.5)) - 0.4, _MOST_SDS + 0.4)
    axes.set_xlabel(f"room (standard deviations); {_MOST_SDS:.0f}: that or more")
    axes.set_title("Room beyond acceptance, and what binds", fontweight="bold")
    told = []
    for row, place in enumerate(shown):
        there = {name: room[place] for name, room in spare.items() if not np.isnan(room[place])}
        if not there:
            continue
        name = min(there, key=lambda name: there[name])
        far = abs(there[name]) > _MOST_SDS
        size = f"{'<' if there[name] < 0.0 else '>'} {_MOST_SDS:.0f}" if far else ""
        words = f"{name.replace('_', ' ')} {size or f'{there[name]:+.1f}'}"
        words = words.replace("< ", "< -").replace("-", "\u2212")
        told.append((place, words))
        axes.text(
            1.03, row, words, transform=axes.get_yaxis_transform(), va="center",
            fontsize=7.5, fontweight="bold" if there[name] < 0.0 else "normal",
            color=VERMILLION if there[name] < 0.0 else BLACK, gid="binds",
        )  # fmt: skip
    return told
