"""The placement figure: how the errors spread, and how they come carrier after carrier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from feedsim.answers.run.placement.column import Column, column
from feedsim.answers.run.placement.panels import draw_histogram, draw_run, legend_entries
from feedsim.answers.run.summary import carriers_run
from feedsim.criteria import Criteria
from feedsim.metrics.results import Results
from feedsim.quantities import System, display
from feedsim.records.columns import RunRecords
from feedsim.render.canvas import A4_LANDSCAPE, above, house_style, one_line, true_minus
from feedsim.render.wording import length

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["placement_figures"]

_MOST_COLUMNS = 3


def placement_figures(
    results: Results, records: RunRecords, *, criteria: Criteria, units: System = "metric"
) -> dict[str, Figure]:
    """Draw the placement errors of a run.

    A column for each feeder: a histogram of the errors with the normal curve of the same
    mean and standard deviation, and the errors over the carrier numbers. Errors outside the
    tolerance differ in colour, hatch and mark; every one of them is drawn, also where only
    a part of very many dots is. Errors far off the rest stand at the edge as arrows.

    Parameters
    ----------
    results : Results
        Figures of the run.
    records : RunRecords
        What they were made of.
    criteria : Criteria
        For the tolerance.
    units : {"metric", "inch"}
        Units of everything that is written.

    Returns
    -------
    dict of str to Figure
        By file name without ending: ``placement`` for up to three feeders, otherwise one
        figure for each, ``placement-0`` and so on. For :func:`feedsim.render.canvas.render`.
    """
    with house_style():
        columns = [
            column(figures, feeder, records, criteria=criteria, units=units)
            for figures, feeder in zip(results.feeders, records.feeders, strict=True)
        ]
        if len(columns) <= _MOST_COLUMNS:
            return {"placement": _figure(results, columns, warm_up=records.warm_up)}
        return {
            f"placement-{number}": _figure(results, [shown], warm_up=records.warm_up)
            for number, shown in enumerate(columns)
        }


def _figure(results: Results, columns: list[Column], *, warm_up: int) -> Figure:
    from matplotlib.figure import Figure
    from matplotlib.legend_handler import HandlerTuple

    figure = Figure(figsize=A4_LANDSCAPE)
    title = one_line(results.title, 85)
    figure.text(0.5, 0.962, title, ha="center", va="center", fontsize=13, fontweight="bold")
    figure.text(
        0.5, 0.928, _subtitle(results, columns, warm_up), ha="center", va="center", fontsize=10
    )
    few = len(columns) <= 2
    grid = figure.add_gridspec(
        2,
        len(columns),
        left=0.07 if few else 0.06,
        right=0.975,
        bottom=0.135,
        top=0.825,
        hspace=0.27,
        wspace=0.2 if few else 0.3,
    )
    for number, shown in enumerate(columns):
        upper, lower = (figure.add_subplot(grid[row, number]) for row in (0, 1))
        draw_histogram(upper, shown)
        draw_run(lower, shown)
        _head(upper, shown, longest=80 if len(columns) == 1 else 34)
    handles, labels = legend_entries(columns)
    figure.legend(
        handles,
        labels,
        loc="lower center",
        bbox_to_anchor=(0.5, 0.045),
        ncols=len(labels),
        handler_map={tuple: HandlerTuple(ndivide=None, pad=0.4)},
        columnspacing=1.6,
    )
    figure.text(
        0.5,
        0.03,
        "An error above 0: the insert lies too far back on its carrier.",
        ha="center",
        va="center",
        fontsize=8,
    )
    return figure


def _subtitle(results: Results, columns: list[Column], warm_up: int) -> str:
    speed = display(results.line_speed_mm_s, "speed", units=columns[0].units)
    text = f"Placement error at {speed}, {carriers_run(results)}"
    return f"{text} after {warm_up} of warm-up" if warm_up else text


def _head(axes: Axes, shown: Column, *, longest: int) -> None:
    error, units, missed = shown.figures.placement_error, shown.units, shown.figures.missed.count
    above(axes, one_line(shown.figures.name, longest), 36.0, fontsize=10.5, fontweight="bold")
    figures = [f"n = {error.n}"]
    if error.mean_mm is not None:
        figures.append(f"mean {length(error.mean_mm, units, sign=True)}")
    if error.sd_mm is not None:
        figures.append(f"sd {length(error.sd_mm, units)}")
    if missed:
        figures.append(f"missed {missed}")
    above(axes, true_minus(", ".join(figures)), 21.0, fontsize=8.5)
