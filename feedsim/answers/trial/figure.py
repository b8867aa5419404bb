"""The figure of a trial: what was measured over what the scenario expects, before and after."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.trial.study.fit import TrialFit
from feedsim.answers.trial.view import Band, Dots, Means, TrialView, trial_view
from feedsim.arrays import Floats
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import (
    BLACK,
    BLUE,
    DASHED,
    GREEN,
    GREY,
    SKY,
    VERMILLION,
    above,
    house_style,
    page,
)
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_Style = dict[str, Any]

_BAND: _Style = {"facecolor": SKY, "alpha": 0.3, "edgecolor": "none"}
_EDGE: _Style = {"color": BLUE, "linewidth": 0.7}
_DOT: _Style = {"linestyle": "none", "marker": ".", "color": GREY, "markersize": 3.5, "mew": 0.0}
_OUT: _Style = {"linestyle": "none", "marker": "x", "color": VERMILLION, "markersize": 6.0}
_FAR: _Style = {"linestyle": "none", "color": VERMILLION, "markersize": 7.0}
_MARK: _Style = {"linestyle": "none", "marker": "o", "color": BLACK, "markersize": 5.0}
_MEAN: _Style = {**_MARK, "capsize": 3.0, "elinewidth": 1.2}
_LINE: _Style = {"color": BLACK, "linewidth": 1.2}
_EXPECTED: _Style = {"color": BLUE, "linewidth": 1.2, "linestyle": (0, (1, 1.5))}
_TOLERANCE: _Style = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.2}
_TARGET: _Style = {"color": GREEN, "linewidth": 1.0}

_MOST_LABELS = 8
_STRIP = 0.035
_GOLDEN = 0.6180339887


def trial_figures(fit: TrialFit, *, units: System = "metric") -> dict[str, Figure]:
    """Draw a trial: ``trial_fit``, or a figure for each of several feeders, ``trial_fit-0`` on.

    Above the placement errors over line speed, as measured and moved by the corrections, each
    over the band in which the scenario has 95 % of the carriers; below, how they spread against
    what was expected, and where the inserts were staged.
    """
    views = [trial_view(fit, feeder, units=units) for feeder in fit.feeders]
    with house_style():
        return {
            f"trial_fit-{view.feeder.number}" if len(views) > 1 else "trial_fit": _figure(fit, view)
            for view in views
            if len(view.placement.dots.value) + len(view.stage.dots.value)
        }


def _figure(fit: TrialFit, view: TrialView) -> Figure:
    placed = sum(there.placement.n for there in view.feeder.speeds)
    subtitle = f"Trial {one_line(fit.data, 60)}, {placed} placements measured"
    subtitle = f"{subtitle}, intervals at {percent(fit.confidence)}"
    figure = page(f"{fit.title} · {view.feeder.name}", subtitle)
    write = partial(figure.text, ha="center", va="center")
    figure.set_label(
        f"{subtitle}. Placement errors against line speed, as measured and with the corrections "
        f"applied, each over the band that the scenario expects; below, their spread and the stage."
    )
    room = {"left": 0.07, "right": 0.975, "bottom": 0.15, "top": 0.87, "hspace": 0.3}
    grid = figure.add_gridspec(2, 2, wspace=0.14, height_ratios=(1.35, 1.0), **room)
    before = figure.add_subplot(grid[0, 0])
    after = figure.add_subplot(grid[0, 1], sharey=before)
    _draw_placement(before, view, moved=False)
    _draw_placement(after, view, moved=True)
    if len(view.stage.dots.value):
        _draw_spread(figure.add_subplot(grid[1, 0]), view)
        _draw_stage(figure.add_subplot(grid[1, 1]), view)
    else:
        _draw_spread(figure.add_subplot(grid[1, :]), view)
    handles, labels = _legend_entries(view)
    place = {"bbox_to_anchor": (0.5, 0.04), "columnspacing": 1.6, "ncols": 4}
    figure.legend(handles, labels, loc="lower center", **place)
    about = "An error above 0: the insert lies too far back on its carrier."
    write(0.5, 0.025, about, fontsize=8)
    return figure


def _draw_placement(axes: Axes, view: TrialView, *, moved: bool) -> None:
    side = view.placement
    band = view.expected if moved else side.band
    _draw_band(axes, band)
    axes.axhline(0.0, **_TARGET)
    for limit in (-view.tolerance, view.tolerance):
        axes.axhline(limit, **_TOLERANCE)
    if side.line is not None and not moved:
        axes.plot(band.speed, side.line, **_LINE)
    ends = [-view.tolerance, view.tolerance]
    for each in (side.band, view.expected):
        ends += [*each.ends[0], *each.ends[1]]
    for values in (side.dots.value, side.dots.value + view.moved):
        ends += [*values[~side.dots.out]]
    axes.set_ylim(*_room(min(ends), max(ends), side.dots.value))
    _draw_dots(axes, side.dots, view, by=view.moved if moved else 0.0, labels=not moved)
    _draw_means(axes, side.means, view.means_moved if moved else 0.0)
    what = "with the corrections" if view.corrected else "nothing corrected"
    _finish(axes, view, what if moved else "as measured", "" if moved else "placement error")


def _draw_spread(axes: Axes, view: TrialView) -> None:
    """Draw the standard deviations over speed against those that are expected."""
    speed = view.placement.band.speed
    axes.plot(speed, view.placement.sd, **_EXPECTED)
    if view.fitted_sd is not None:
        axes.plot(speed, view.fitted_sd, **_LINE)
    _draw_means(axes, view.spread)
    axes.set_ylim(bottom=0.0)
    _finish(axes, view, "spread of the placement", "standard deviation")


def _draw_stage(axes: Axes, view: TrialView) -> None:
    side = view.stage
    _draw_band(axes, side.band)
    axes.axhline(view.stage_target, **_TARGET)
    if side.line is not None:
        axes.plot(side.band.speed, side.line, **_LINE)
    ends = [*side.band.ends[0], *side.band.ends[1], *side.dots.value[~side.dots.out]]
    axes.set_ylim(*_room(min(ends), max(ends), side.dots.value))
    _draw_dots(axes, side.dots, view, labels=True)
    _draw_means(axes, side.means)
    _finish(axes, view, "stage position, as measured", "from the insert eye")


def _legend_entries(view: TrialView) -> tuple[list[Any], list[str]]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries = [
        (Patch(**_BAND), "95 % of carriers, as the scenario expects"),
        (Line2D([], [], **_EXPECTED), "expected spread"),
        (Line2D([], [], **_DOT), "a carrier"),
        (Line2D([], [], **_MARK), "mean or spread at a speed, with its interval"),
        (Line2D([], [], **_LINE), "fitted"),
        (Line2D([], [], **_TARGET), "target"),
        (Line2D([], [], **_TOLERANCE), "tolerance"),
    ]
    if view.placement.dots.out.any() or view.stage.dots.out.any():
        said = "sticks out" if view.feeder.kept_outliers else "left out"
        entries.append((Line2D([], [], **_OUT), said))
    return [handle for handle, _ in entries], [label for _, label in entries]


def _draw_band(axes: Axes, band: Band) -> None:
    axes.fill_between(band.speed, *band.ends, **_BAND)
    for end in band.ends:
        axes.plot(band.speed, end, **_EDGE)


def _draw_dots(
    axes: Axes, dots: Dots, view: TrialView, *, labels: bool, by: Floats | float = 0.0
) -> None:
    """Draw single values, beside each other in a strip; far ones as arrows at the edge."""
    width = _STRIP * float(np.ptp(view.expected.speed))
    place, values = np.arange(len(dots.speed)), dots.value + by
    at = dots.speed + width * ((_GOLDEN * place) % 1.0 - 0.5)
    low, high = axes.get_ylim()
    up, down = values > high, values < low
    inside = ~(up | down)
    good, bad = inside & ~dots.out, inside & dots.out
    raster = len(dots.speed) > 2000
    axes.plot(at[good], values[good], rasterized=raster, **_DOT)
    axes.plot(at[bad], values[bad], **_OUT)
    inset = 0.03 * (high - low)
    for beyond, marker, edge in ((up, "^", high - inset), (down, "v", low + inset)):
        axes.plot(at[beyond], np.full(int(beyond.sum()), edge), marker=marker, **_FAR)
    if labels:
        for k in np.flatnonzero(dots.out)[:_MOST_LABELS]:
            spot = (float(at[k]), float(np.clip(values[k], low + inset, high - inset)))
            beside: _Style = {"textcoords": "offset points", "va": "center", "fontsize": 7.5}
            axes.annotate(f"row {dots.row[k]}", spot, (5.0, 0.0), color=VERMILLION, **beside)


def _draw_means(axes: Axes, means: Means, by: Floats | float = 0.0) -> None:
    if len(means.speed):
        value, low, high = means.value + by, means.low + by, means.high + by
        # rounding may put a mean a hair outside of an interval without width
        ends = np.maximum(value - low, 0.0), np.maximum(high - value, 0.0)
        axes.errorbar(means.speed, value, yerr=ends, **_MEAN)


def _room(low: float, high: float, values: Floats) -> tuple[float, float]:
    """Return the ends of an axis: room for all values but far ones."""
    height = high - low or 1.0
    near = values[(values > low - 0.6 * height) & (values < high + 0.6 * height)]
    if len(near):
        low, high = min(low, float(near.min())), max(high, float(near.max()))
    more = 0.06 * (high - low or 1.0)
    return low - more, high + more


def _finish(axes: Axes, view: TrialView, title: str, what: str) -> None:
    length, speed = (display_unit(kind, view.units).label for kind in ("length", "speed"))
    above(axes, title, 5.0, fontsize=9.5, fontweight="bold")
    axes.set_xlim(float(view.expected.speed[0]), float(view.expected.speed[-1]))
    axes.set_xlabel(f"line speed ({speed})")
    if what:
        axes.set_ylabel(f"{what} ({length})")
