"""How the sources of one speed add up: by their variances, the largest first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from feedsim.answers.budget.study.budget import BudgetAgainstRun, BudgetPoint, Weighed
from feedsim.metrics.percent import percent_of_all
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLUE, DASHED, SKY, one_each, page
from feedsim.render.layout import one_line
from feedsim.render.waterfall import MORE, WaterfallRow, draw_waterfall
from feedsim.render.wording import counted, length, length_number, speed
from feedsim.scenario import Scenario
from feedsim.settings.sources import combined_sd

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_ROWS = 18
_ROOT_ROOM = 0.075  # of a label of the upper axis, a share of its width
_SIMULATED: dict[str, Any] = {"color": BLUE, "linestyle": DASHED, "linewidth": 1.3}


def sources_figures(
    scenario: Scenario, points: Sequence[BudgetPoint], *, at_mm_s: float | None, units: System
) -> dict[str, Figure]:
    """Draw the sources of spread at one speed as a waterfall of variances, a page for each feeder.

    The lower axis is the variance, which adds; the upper one is the matching standard deviation,
    which does not. ``at_mm_s``: None for the speed of the scenario, or the point nearest to it.
    """
    at = scenario.line.speed if at_mm_s is None else at_mm_s
    point = min(points, key=lambda point: abs(point.line_speed_mm_s - at))
    return one_each("sources", len(point.feeders), lambda n: _figure(scenario, point, n, units))


def _figure(scenario: Scenario, point: BudgetPoint, number: int, units: System) -> Figure:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    compared = point.feeders[number]
    budget, simulated = compared.budget, compared.simulated
    unit, factor = display_unit("length", units)
    about = f"Where the spread of {one_line(budget.name, 80)} comes from at "
    about += f"{speed(point.line_speed_mm_s, units)}: sd {length(budget.combined_sd_mm, units)}"
    figure = page(scenario.title, about)
    axes = figure.add_axes((0.24, 0.15, 0.54, 0.68))
    sd = length_number(budget.combined_sd_mm, units)
    last = WaterfallRow(
        "combined", (factor * budget.combined_sd_mm) ** 2, (sd, "100 %" if budget.sources else "")
    )
    steps = list(_steps(budget.sources, factor, units))
    draw_waterfall(axes, steps, last=last, heads=(f"sd alone ({unit})", "share"), column=0.16)
    handles: list[Any] = [Patch(**MORE)]
    labels = ["a source: its variance"]
    if simulated.sd_mm:
        _draw_simulated(axes, compared, factor)
        handles.append(Line2D([], [], **_SIMULATED))
        interval = "" if simulated.sd_ci95_mm is None else ", 95 % shaded"
        labels.append(f"simulated, sd {length(simulated.sd_mm, units)}{interval}")
    axes.set_xlim(0.0, axes.get_xlim()[1])
    axes.set_xlabel(f"variance so far ({unit}²)")
    above = axes.secondary_xaxis("top", functions=(_root, np.square))
    above.set_xticks(_roots(axes.get_xlim()[1]))
    above.set_xlabel(f"standard deviation so far ({unit})")
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.062), ncols=2)
    note = "Variances add; standard deviations do not: those of the column are each source alone."
    figure.text(0.5, 0.028, note, ha="center", va="center", fontsize=8.0)
    largest = ", ".join(
        f"{s.name} {percent_of_all(s.share, digits=1)}" for s in _ranked(budget.sources)[:3]
    )
    figure.set_label(
        f"{about}. A waterfall of variances, the largest source first: {largest or 'none'}."
    )
    return figure


def _ranked(sources: Sequence[Weighed]) -> list[Weighed]:
    return sorted(sources, key=lambda source: -source.contribution_mm)


def _root(variance: ArrayLike) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.sqrt(np.maximum(np.asarray(variance, dtype=np.float64), 0.0))


def _roots(variance: float) -> list[float]:
    """Return round standard deviations whose variances are far enough apart for their labels."""
    from matplotlib.ticker import MaxNLocator

    most = float(np.sqrt(variance))
    kept = [most * _ROOT_ROOM**0.5] if most else []
    for sd in MaxNLocator(nbins=10, steps=[1, 2, 5, 10]).tick_values(0.0, most):
        if sd <= most and sd**2 > kept[-1] ** 2 + (_ROOT_ROOM * variance if len(kept) > 1 else 0.0):
            kept.append(float(sd))
    return [0.0, *kept[1:]]


def _steps(sources: Sequence[Weighed], factor: float, units: System) -> list[WaterfallRow]:
    """Return a row for each source; of very many the smallest share one."""
    ranked = _ranked(sources)
    room = len(ranked) if len(ranked) <= _MOST_ROWS else _MOST_ROWS - 1
    steps = [_step(s.name, s.contribution_mm, s.share, factor, units) for s in ranked[:room]]
    if rest := ranked[room:]:
        together = combined_sd(rest)
        name, share = counted(len(rest), "smaller source"), sum(source.share for source in rest)
        steps.append(_step(name, together, share, factor, units))
    return steps


def _step(name: str, sd_mm: float, share: float, factor: float, units: System) -> WaterfallRow:
    told = (length_number(sd_mm, units), percent_of_all(share, digits=1))
    return WaterfallRow(name, (factor * sd_mm) ** 2, told)


def _draw_simulated(axes: Axes, compared: BudgetAgainstRun, factor: float) -> None:
    simulated = compared.simulated
    variance = (factor * (simulated.sd_mm or 0.0)) ** 2
    axes.axvline(variance, gid="simulated", **_SIMULATED)
    if simulated.sd_ci95_mm is not None:
        ends = [(factor * end) ** 2 for end in simulated.sd_ci95_mm]
        axes.axvspan(*ends, color=SKY, alpha=0.3, linewidth=0.0, zorder=0.4)
        variance = max(variance, ends[1])
    axes.set_xlim(0.0, max(axes.get_xlim()[1], 1.05 * variance))
