"""The figure of an error budget: variance shares and spread against the line speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from feedsim.answers.budget.panels import draw_shares, draw_spread
from feedsim.answers.budget.study.budget import Point
from feedsim.answers.budget.study.curve import curves_at
from feedsim.answers.budget.view import BudgetView, budget_view
from feedsim.quantities import System
from feedsim.render.canvas import A4_LANDSCAPE, heading, house_style
from feedsim.render.wording import counted
from feedsim.scenario import Scenario

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_CURVE = 61
_AROUND = (0.5, 1.5)  # of the speed, where there is only one


def budget_figures(
    scenario: Scenario, points: Sequence[Point], *, units: System = "metric"
) -> dict[str, Figure]:
    """Draw a page for each feeder.

    Above, which cause has which share of the variance at which speed; below, the combined
    standard deviation, that of each run with its interval, and what the tolerance allows.
    The closed form is drawn as curves, also between the speeds that were run; around a single
    speed from half to half as much again.

    Parameters
    ----------
    points : sequence of Point
        Rising in speed.

    Returns
    -------
    dict of str to Figure
        By file name without ending: ``budget``, or ``budget-0`` and so on for several feeders.
    """
    low, high = points[0].line_speed_mm_s, points[-1].line_speed_mm_s
    if low == high:
        low, high = (share * low for share in _AROUND)
    speeds = [float(speed) for speed in np.linspace(low, high, _CURVE)]
    curves = [curves_at(scenario, speed) for speed in speeds]
    several = len(scenario.feeder) > 1
    figures = {}
    with house_style():
        for number in range(len(scenario.feeder)):
            view = budget_view(
                scenario,
                [(point.line_speed_mm_s, point.feeders[number]) for point in points],
                curve=[(v, of[number]) for v, of in zip(speeds, curves, strict=True)],
                units=units,
            )
            figures[f"budget-{number}" if several else "budget"] = _figure(scenario, view, several)
    return figures


def _figure(scenario: Scenario, view: BudgetView, several: bool) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    title = f"{scenario.title} · {view.name}" if several else scenario.title
    ran = counted(scenario.run.carriers, "carrier")
    subtitle = f"What spreads the placement, in closed form, and {ran} "
    subtitle += "simulated at each speed" if len(view.runs) > 1 else "simulated"
    heading(figure, title, subtitle, y=0.962)
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
    draw_shares(upper, view)
    draw_spread(lower, view)
    return figure
