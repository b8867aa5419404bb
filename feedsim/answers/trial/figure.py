"""The figure of a trial: what was measured over what the scenario expects, before and after."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from feedsim.answers.trial.panels import draw_placement, draw_spread, draw_stage, legend_entries
from feedsim.answers.trial.study.fit import TrialFit
from feedsim.answers.trial.view import TrialView, trial_view
from feedsim.metrics.percent import percent
from feedsim.quantities import System
from feedsim.render.canvas import A4_LANDSCAPE, heading, house_style
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure


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
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    write = partial(figure.text, ha="center", va="center")
    placed = sum(there.placement.n for there in view.feeder.speeds)
    subtitle = f"Trial {one_line(fit.data, 60)}, {placed} placements measured"
    subtitle = f"{subtitle}, intervals at {percent(fit.confidence)}"
    heading(figure, f"{fit.title} · {view.feeder.name}", subtitle, y=0.962)
    figure.set_label(
        f"{subtitle}. Placement errors against line speed, as measured and with the corrections "
        f"applied, each over the band that the scenario expects; below, their spread and the stage."
    )
    room = {"left": 0.07, "right": 0.975, "bottom": 0.15, "top": 0.87, "hspace": 0.3}
    grid = figure.add_gridspec(2, 2, wspace=0.14, height_ratios=(1.35, 1.0), **room)
    before = figure.add_subplot(grid[0, 0])
    after = figure.add_subplot(grid[0, 1], sharey=before)
    draw_placement(before, view, moved=False)
    draw_placement(after, view, moved=True)
    if len(view.stage.dots.value):
        draw_spread(figure.add_subplot(grid[1, 0]), view)
        draw_stage(figure.add_subplot(grid[1, 1]), view)
    else:
        draw_spread(figure.add_subplot(grid[1, :]), view)
    handles, labels = legend_entries(view)
    place = {"bbox_to_anchor": (0.5, 0.04), "columnspacing": 1.6, "ncols": 4}
    figure.legend(handles, labels, loc="lower center", **place)
    about = "An error above 0: the insert lies too far back on its carrier."
    write(0.5, 0.025, about, fontsize=8)
    return figure
