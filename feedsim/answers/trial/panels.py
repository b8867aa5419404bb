"""The panels of a trial's figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.trial.view import Band, Dots, Means, TrialView
from feedsim.quantities import display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREEN, GREY, SKY, VERMILLION, above

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_placement", "draw_spread", "draw_stage", "legend_entries"]

Floats = NDArray[np.float64]
_Look = dict[str, Any]

_BAND: _Look = {"facecolor": SKY, "alpha": 0.3, "edgecolor": "none"}
_EDGE: _Look = {"color": BLUE, "linewidth": 0.7}
_DOT: _Look = {"linestyle": "none", "marker": ".", "color": GREY, "markersize": 3.5, "mew": 0.0}
_OUT: _Look = {"linestyle": "none", "marker": "x", "color": VERMILLION, "markersize": 6.0}
_FAR: _Look = {"linestyle": "none", "color": VERMILLION, "markersize": 7.0}
_MEAN: _Look = {
    "linestyle": "none",
    "marker": "o",
    "color": BLACK,
    "markersize": 5.0,
    "capsize": 3.0,
    "elinewidth": 1.2,
}
_LINE: _Look = {"color": BLACK, "linewidth": 1.2}
_EXPECTED: _Look = {"color": BLUE, "linewidth": 1.2, "linestyle": (0, (1, 1.5))}
_TOLERANCE: _Look = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.2}
_TARGET: _Look = {"color": GREEN, "linewidth": 1.0}

_MOST_LABELS = 8
_STRIP = 0.035
_GOLDEN = 0.6180339887


def draw_placement(axes: Axes, view: TrialView, *, moved: bool) -> None:
    """Draw the placement errors over speed, as measured or moved by the corrections."""
    band = view.expected_after if moved else view.expected
    by = view.moved if moved else np.zeros(len(view.moved))
    _draw_band(axes, band)
    axes.axhline(0.0, **_TARGET)
    for limit in (-view.tolerance, view.tolerance):
        axes.axhline(limit, **_TOLERANCE)
    if view.line is not None and not moved:
        axes.plot(band.speed, view.line, **_LINE)
    means = view.means
    shift = view.means_moved if moved else np.zeros(len(means.value))
    dots = Dots(view.dots.speed, view.dots.value + by, view.dots.out, view.dots.row)
    _limit(axes, view)
    _draw_dots(axes, dots, view, labels=not moved)
    _draw_means(
        axes, Means(means.speed, means.value + shift, means.low + shift, means.high + shift)
    )
    what = "with the corrections" if view.corrected else "nothing corrected"
    above(axes, what if moved else "as measured", 5.0, fontsize=9.5, fontweight="bold")
    _axes(axes, view, "" if moved else "placement error")


def draw_spread(axes: Axes, view: TrialView) -> None:
    """Draw the standard deviations over speed against those that are expected."""
    axes.plot(view.expected.speed, view.expected_sd, **_EXPECTED)
    if view.fitted_sd is not None:
        axes.plot(view.expected.speed, view.fitted_sd, **_LINE)
    _draw_means(axes, view.spread)
    axes.set_ylim(bottom=0.0)
    above(axes, "spread of the placement", 5.0, fontsize=9.5, fontweight="bold")
    _axes(axes, view, "standard deviation")


def draw_stage(axes: Axes, view: TrialView) -> None:
    """Draw the stage positions over speed, as measured."""
    _draw_band(axes, view.stage_expected)
    axes.axhline(view.stage_target, **_TARGET)
    if view.stage_line is not None:
        axes.plot(view.stage_expected.speed, view.stage_line, **_LINE)
    band, dots = view.stage_expected, view.stage_dots
    ends = [*(band.middle - band.half), *(band.middle + band.half), *dots.value[~dots.out]]
    axes.set_ylim(*_room(min(ends), max(ends), dots.value))
    _draw_dots(axes, dots, view, labels=True)
    _draw_means(axes, view.stage_means)
    above(axes, "stage position, as measured", 5.0, fontsize=9.5, fontweight="bold")
    _axes(axes, view, "from the insert eye")


def legend_entries(view: TrialView) -> tuple[list[Any], list[str]]:
    """Return what stands in the legend of the figure."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    mean = {k: v for k, v in _MEAN.items() if k not in {"capsize", "elinewidth"}}
    entries = [
        (Patch(**_BAND), "95 % of carriers, as the scenario expects"),
        (Line2D([], [], **_EXPECTED), "expected spread"),
        (Line2D([], [], **_DOT), "a carrier"),
        (Line2D([], [], **mean), "mean or spread at a speed, with its interval"),
        (Line2D([], [], **_LINE), "fitted"),
        (Line2D([], [], **_TARGET), "target"),
        (Line2D([], [], **_TOLERANCE), "tolerance"),
    ]
    if view.dots.out.any() or view.stage_dots.out.any():
        said = "left out" if view.left_out else "sticks out"
        entries.append((Line2D([], [], **_OUT), said))
    return [handle for handle, _ in entries], [label for _, label in entries]


def _draw_band(axes: Axes, band: Band) -> None:
    low, high = band.middle - band.half, band.middle + band.half
    axes.fill_between(band.speed, low, high, **_BAND)
    for end in (low, high):
        axes.plot(band.speed, end, **_EDGE)


def _draw_dots(axes: Axes, dots: Dots, view: TrialView, *, labels: bool) -> None:
    """Draw single values, beside each other in a strip; far ones as arrows at the edge."""
    width = _STRIP * float(np.ptp(view.expected.speed))
    place = np.arange(len(dots.speed))
    at = dots.speed + width * ((_GOLDEN * place) % 1.0 - 0.5)
    low, high = axes.get_ylim()
    up, down = dots.value > high, dots.value < low
    inside = ~(up | down)
    good, bad = inside & ~dots.out, inside & dots.out
    raster = len(dots.speed) > 2000
    axes.plot(at[good], dots.value[good], rasterized=raster, **_DOT)
    axes.plot(at[bad], dots.value[bad], **_OUT)
    inset = 0.03 * (high - low)
    for beyond, marker, edge in ((up, "^", high - inset), (down, "v", low + inset)):
        axes.plot(at[beyond], np.full(int(beyond.sum()), edge), marker=marker, **_FAR)
    if labels:
        for k in np.flatnonzero(dots.out)[:_MOST_LABELS]:
            spot = (float(at[k]), float(np.clip(dots.value[k], low + inset, high - inset)))
            axes.annotate(
                f"row {dots.row[k]}",
                spot,
                (5.0, 0.0),
                textcoords="offset points",
                va="center",
                fontsize=7.5,
                color=VERMILLION,
            )


def _draw_means(axes: Axes, means: Means) -> None:
    if len(means.speed):
        # rounding may put a mean a hair outside of an interval without width
        down = np.maximum(means.value - means.low, 0.0)
        up = np.maximum(means.high - means.value, 0.0)
        axes.errorbar(means.speed, means.value, yerr=(down, up), **_MEAN)


def _limit(axes: Axes, view: TrialView) -> None:
    """Set the heights so that both panels show all but what is far off."""
    ends = [-view.tolerance, view.tolerance]
    for band in (view.expected, view.expected_after):
        ends += [*(band.middle - band.half), *(band.middle + band.half)]
    good = ~view.dots.out
    for values in (view.dots.value, view.dots.value + view.moved):
        ends += [*values[good]]
    axes.set_ylim(*_room(min(ends), max(ends), view.dots.value))


def _room(low: float, high: float, values: Floats) -> tuple[float, float]:
    """Return the ends of an axis: room for all, but for what is far off."""
    height = high - low or 1.0
    near = values[(values > low - 0.6 * height) & (values < high + 0.6 * height)]
    if len(near):
        low, high = min(low, float(near.min())), max(high, float(near.max()))
    more = 0.06 * (high - low or 1.0)
    return low - more, high + more


def _axes(axes: Axes, view: TrialView, what: str) -> None:
    length, speed = (display_unit(kind, view.units).label for kind in ("length", "speed"))
    axes.set_xlim(float(view.expected.speed[0]), float(view.expected.speed[-1]))
    axes.set_xlabel(f"line speed ({speed})")
    if what:
        axes.set_ylabel(f"{what} ({length})")
