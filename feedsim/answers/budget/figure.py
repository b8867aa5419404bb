"""The figure of an error budget: variance shares and spread against the line speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.budget.study.budget import BudgetPoint
from feedsim.answers.budget.view import BudgetView, CauseShare, RunSpread, budget_view, curves_at
from feedsim.quantities import System
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
    one_each,
    page,
)
from feedsim.render.wording import counted
from feedsim.scenario import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CURVE = 61
_AROUND = (0.5, 1.5)  # of the speed, where there is only one
_YELLOW, _PURPLE = "#F0E442", "#CC79A7"  # of Okabe and Ito as well
_STYLES = {
    "motion cycle": (BLUE, ""),
    "scan": (SKY, "////"),
    "carrier eye jitter": (GREEN, "...."),
    "insert eye jitter": (_YELLOW, "oo"),
    "carrier eye edge": (ORANGE, "\\\\\\\\"),
    "insert eye edge": (VERMILLION, "xxxx"),
    "carrier slip": ("white", "----"),
    "insert slip": (_PURPLE, "||||"),
    "encoder count": (GREY, "++++"),
}
_OTHER = ("white", "**")
_LIMIT: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.3}
_HERE: dict[str, Any] = {"color": BLACK, "linestyle": ":", "linewidth": 1.0}
_DOT: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "markersize": 4.5,
    "capsize": 2.5,
    "color": BLUE,
}
_BESIDE = (1.03, 0.5)
_ROOM = 1.12  # above the highest value
_FAR = 4.0  # times the budget: simulated values beyond it would flatten all else
_HIGHEST = 1.6  # spreads to which the allowed one is still drawn


def budget_figures(
    scenario: Scenario, points: Sequence[BudgetPoint], *, units: System = "metric"
) -> dict[str, Figure]:
    """Draw a page for each feeder, of points that rise in speed.

    Above: each cause's share of the variance against speed. Below: the combined standard deviation,
    that of each run with its interval, and what the tolerance allows. Curves are the closed form,
    also between the simulated speeds; around a single speed they go from half to half as much
    again.
    """
    low, high = points[0].line_speed_mm_s, points[-1].line_speed_mm_s
    if low == high:
        low, high = (share * low for share in _AROUND)
    speeds = [float(speed) for speed in np.linspace(low, high, _CURVE)]
    curves = [curves_at(scenario, speed) for speed in speeds]

    def draw(number: int) -> Figure:
        row = [(point.line_speed_mm_s, point.feeders[number]) for point in points]
        curve = [(v, of[number]) for v, of in zip(speeds, curves, strict=True)]
        return _figure(scenario, budget_view(scenario, row, curve=curve, units=units))

    return one_each("budget", len(scenario.feeder), draw)


def _figure(scenario: Scenario, view: BudgetView) -> Figure:
    title = f"{scenario.title} · {view.name}" if len(scenario.feeder) > 1 else scenario.title
    ran = counted(scenario.run.carriers, "carrier")
    subtitle = f"What spreads the placement, in closed form, and {ran} "
    subtitle += "simulated at each speed" if len(view.runs) > 1 else "simulated"
    figure = page(title, subtitle)
    slow, fast = (max(view.bands, key=lambda b: b.percent[end], default=None) for end in (0, -1))
    largest = (
        f"; {slow.cause} is the largest when slow, {fast.cause} when fast" if slow and fast else ""
    )
    figure.set_label(
        f"{subtitle}. Above, the share of each cause in the variance against line speed{largest}. "
        f"Below, the standard deviation, in closed form and simulated, against what is allowed."
    )
    grid = figure.add_gridspec(
        2, 1, left=0.07, right=0.69, bottom=0.08, top=0.875, hspace=0.24, height_ratios=(1.25, 1.0)
    )
    upper, lower = (figure.add_subplot(grid[row, 0]) for row in (0, 1))
    _draw_shares(upper, view)
    _draw_spread(lower, view)
    return figure


def _draw_shares(axes: Axes, view: BudgetView) -> None:
    """Stack the shares of the variance: times, which grow with speed, below lengths."""
    so_far = np.zeros(len(view.speeds))
    for band in view.bands:
        look = _look(band)
        axes.fill_between(
            view.speeds, so_far, so_far + band.percent, gid=f"share {band.cause}", **look
        )
        if not band.grows and _is_first_length(view, band):
            axes.plot(view.speeds, so_far, color=BLACK, linewidth=2.2, gid="times and lengths")
        so_far = so_far + band.percent
    axes.axvline(view.line_speed, **_HERE)
    axes.set_xlim(view.speeds[0], view.speeds[-1])
    axes.set_ylim(0.0, 100.0)
    axes.set_ylabel("share of the variance (%)")
    axes.set_xlabel(f"line speed ({view.speed_unit})")
    if not view.bands:
        axes.text(0.5, 0.5, "nothing spreads", transform=axes.transAxes, ha="center", fontsize=11)
        return
    above(axes, "Shares of the variance", 5.0, fontsize=9.5)
    _legend_of_shares(axes, view)


def _look(band: CauseShare) -> dict[str, Any]:
    colour, hatch = _STYLES.get(band.cause, _OTHER)
    return {"facecolor": colour, "hatch": hatch, "edgecolor": BLACK, "linewidth": 0.6}


def _is_first_length(view: BudgetView, band: CauseShare) -> bool:
    return band is next(b for b in view.bands if not b.grows) and view.bands[0].grows


def _legend_of_shares(axes: Axes, view: BudgetView) -> None:
    """Name the bands from the top down, with their shares at the slow and at the fast end."""
    from matplotlib.patches import Patch

    low, high = (f"{view.speeds[end]:.4g}" for end in (0, -1))
    handles: list[Any] = []
    labels: list[str] = []
    for grows, head in (
        (False, "lengths, the same at any speed"),
        (True, "times, more travel the faster it runs"),
    ):
        bands = [band for band in reversed(view.bands) if band.grows is grows]
        if bands:
            handles.append(Patch(facecolor="none", edgecolor="none"))
            labels.append(head)
        for band in bands:
            handles.append(Patch(**_look(band)))
            ends = (f"{band.percent[end]:.1f}" for end in (0, -1))
            labels.append(f"{band.cause}: {' to '.join(ends)} %")
    legend = axes.legend(
        handles,
        labels,
        loc="center left",
        bbox_to_anchor=_BESIDE,
        borderaxespad=0.0,
        labelspacing=0.75,
        handleheight=1.4,
        handlelength=2.6,
        title=f"share at {low} and at {high} {view.speed_unit}",
    )
    for text in legend.get_texts():
        if text.get_text().startswith(("lengths,", "times,")):
            text.set_fontstyle("italic")


def _draw_spread(axes: Axes, view: BudgetView) -> None:
    """Draw the combined spread, that of the runs, and what the tolerance allows."""
    axes.plot(view.speeds, view.combined, color=BLACK, label="combined, in closed form", gid="sd")
    most = _FAR * float(max(view.combined))
    inside = [run for run in view.runs if run.sd <= most or not most]
    for (doubted, differs), runs in _sorted(inside).items():
        _draw_runs(axes, runs, doubted=doubted, differs=differs)
    highest = max([*view.combined, *(run.high for run in inside)])
    if not np.isnan(view.allowed).all():
        least = float(np.nanmin(view.allowed))
        words = f"largest that leaves {view.allowed_words},\non target"
        if least > _HIGHEST * highest:
            words += f" ({least:.3g} {view.length_unit} or more, off the scale)"
        axes.plot(view.speeds, view.allowed, label=words, gid="allowed", **_LIMIT)
        highest = max(highest, min(float(np.nanmax(view.allowed)), _HIGHEST * highest))
    axes.axvline(view.line_speed, label="line.speed of the scenario", gid="line.speed", **_HERE)
    axes.set_xlim(view.speeds[0], view.speeds[-1])
    axes.set_ylim(0.0, _ROOM * highest or 1.0)
    _draw_far(axes, [run for run in view.runs if run not in inside], view.length_unit)
    axes.set_ylabel(f"standard deviation ({view.length_unit})")
    axes.set_xlabel(f"line speed ({view.speed_unit})")
    above(axes, "Standard deviation of the placement error", 5.0, fontsize=9.5)
    axes.legend(loc="center left", bbox_to_anchor=_BESIDE, borderaxespad=0.0, labelspacing=0.9)


def _draw_far(axes: Axes, runs: list[RunSpread], unit: str) -> None:
    """Mark runs far above the budget at the upper edge, with their size."""
    look: dict[str, Any] = {"linestyle": "none", "marker": "^", "color": VERMILLION}
    for number, run in enumerate(runs):
        axes.plot(
            [run.speed], [0.96], transform=axes.get_xaxis_transform(), markersize=7.0,
            clip_on=False, label="" if number else "simulated, off the scale", gid="far", **look,
        )  # fmt: skip
        right = run.speed > 0.5 * sum(axes.get_xlim())
        axes.annotate(
            f"{run.sd:.3g} {unit}", (run.speed, 0.96), (-8.0 if right else 8.0, 0.0),
            xycoords=axes.get_xaxis_transform(), textcoords="offset points",
            ha="right" if right else "left", va="center", fontsize=8.0,
        )  # fmt: skip


def _sorted(runs: Sequence[RunSpread]) -> dict[tuple[bool, bool], list[RunSpread]]:
    """Group the runs by whether they are in doubt and whether they differ."""
    found: dict[tuple[bool, bool], list[RunSpread]] = {}
    for run in sorted(runs, key=lambda run: (run.differs, run.doubted)):
        found.setdefault((run.doubted, run.differs), []).append(run)
    return found


def _draw_runs(axes: Axes, runs: list[RunSpread], *, doubted: bool, differs: bool) -> None:
    look, label = dict(_DOT), "simulated, 95 %"
    if doubted:
        look |= {"markerfacecolor": "white"}
        label += "; the budget may not hold"
    if differs:
        look |= {"marker": "X", "color": VERMILLION, "markersize": 6.5}
        label += ",\nmore than 3 % off the budget"
    drawn = axes.errorbar(
        [run.speed for run in runs],
        [run.sd for run in runs],
        yerr=np.array([[run.sd - run.low, run.high - run.sd] for run in runs]).T,
        label=label,
        clip_on=False,
        zorder=3.0,
        **look,
    )
    drawn.lines[0].set_gid("simulated")
