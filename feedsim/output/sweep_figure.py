"""One overview of a sweep for each feeder, to be pinned to a wall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from feedsim.metrics.criteria import Criteria
from feedsim.metrics.plain import Plain
from feedsim.output import sweep_panels as panels
from feedsim.output.canvas import A4_LANDSCAPE, house_style, one_line
from feedsim.output.sweep_curves import SweepView, sweep_view
from feedsim.quantities import System, display_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["sweep_figures"]


def sweep_figures(
    points: Sequence[Mapping[str, Plain]],
    *,
    title: str,
    criteria: Criteria,
    units: System = "metric",
) -> dict[str, Figure]:
    """Draw a sweep over line speeds.

    Four panels over one speed axis: placement error with its tolerance, missed carriers by
    cause, jam risk by hazard, margins with their zero. A cross on the speed axis marks a
    speed that is not accepted.

    Parameters
    ----------
    points : sequence of mapping
        The points of ``sweep.json``, speeds rising; replications are drawn side by side.
    title : str
        Of the scenario.
    criteria : Criteria
        For tolerance and acceptance lines.
    units : {"metric", "inch"}
        Units of everything that is written.

    Returns
    -------
    dict of str to Figure
        By file name without ending: ``sweep``, or ``sweep-0`` and so on for several feeders.
    """
    feeders = points[0]["feeders"]
    count = len(feeders) if isinstance(feeders, list) else 0
    with house_style():
        return {
            "sweep" if count == 1 else f"sweep-{number}": _figure(
                sweep_view(points, number, criteria=criteria, units=units), title
            )
            for number in range(count)
        }


def _figure(view: SweepView, title: str) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    head = one_line(f"{title} · {view.name}", 95)
    figure.text(0.5, 0.965, head, ha="center", va="center", fontsize=13, fontweight="bold")
    figure.text(0.5, 0.932, _subtitle(view), ha="center", va="center", fontsize=10)
    grid = figure.add_gridspec(
        2, 2, left=0.075, right=0.98, bottom=0.095, top=0.9, hspace=0.2, wspace=0.17
    )
    draw = (panels.draw_placement, panels.draw_missed, panels.draw_jam_risk, panels.draw_margins)
    for place, panel in enumerate(draw):
        axes = figure.add_subplot(grid[place // 2, place % 2])
        panel(axes, view)
        panels.mark_refused(axes, view)
        axes.set_xlabel(f"line speed ({display_unit('speed', view.units).label})")
        axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
    figure.text(
        0.5,
        0.018,
        "Jam risk of one hazard: the share seen, or where none was seen its normal tail. "
        "An error above 0: the insert lies too far back on its carrier.",
        ha="center",
        va="center",
        fontsize=8,
    )
    return figure


def _subtitle(view: SweepView) -> str:
    unit = display_unit("speed", view.units).label
    if view.highest is None:
        return "Not accepted even at the lowest speed   (× not accepted)"
    if view.accepted.all():
        return f"Accepted at every speed, up to {view.highest:.4g} {unit}"
    return f"Accepted at every speed up to {view.highest:.4g} {unit}   (× not accepted)"
