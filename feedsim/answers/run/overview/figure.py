"""The overview of a run: verdict, errors, margins, and what happened."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Any

from feedsim.answers.run.overview.margins import draw_margins, draw_misses
from feedsim.answers.run.overview.panels import draw_histogram, draw_lanes, draw_run, legend_entries
from feedsim.answers.run.overview.shown import Shown, shown_of
from feedsim.answers.run.summary import carriers_run, decision
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.percent import percent
from feedsim.metrics.results import Results
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, display, whole
from feedsim.records.columns import RunRecords
from feedsim.render.canvas import BLACK, above, one_each, page, true_minus
from feedsim.render.layout import one_line
from feedsim.render.wording import length

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_REASONS = 3
_MOST_LINES = 4
_LETTERS = 165
_BOXES: dict[bool | None, dict[str, Any]] = {
    True: {"facecolor": "white", "edgecolor": BLACK, "linewidth": 1.6},
    False: {"facecolor": BLACK, "edgecolor": BLACK, "linewidth": 1.6},
    None: {"facecolor": "white", "edgecolor": BLACK, "linewidth": 1.2, "linestyle": "--"},
}


def overview_figures(
    results: Results,
    records: RunRecords,
    machine: Machine,
    *,
    criteria: Criteria,
    units: System = "metric",
) -> dict[str, Figure]:
    """Draw everything that matters in a run, a page for each feeder.

    The verdict with its reasons; a histogram of the placement errors in their tolerance, with the
    normal curve for a single speed and setting, or an outline between each two changes; the margin
    of each hazard against zero; missed carriers by cause; the errors over the carrier numbers, and
    below them what was missed or at risk, stops, faults and changes. Errors outside the tolerance
    are always drawn, even if dots are thinned.
    """

    def draw(number: int) -> Figure:
        of = results.feeders[number]
        shown = shown_of(of, number, records, machine, criteria=criteria, units=units)
        return _figure(results, shown, criteria=criteria, warm_up=records.warm_up)

    return one_each("overview", len(results.feeders), draw)


def _figure(results: Results, shown: Shown, *, criteria: Criteria, warm_up: int) -> Figure:
    from matplotlib.legend_handler import HandlerTuple

    figure = page(results.title, _subtitle(results, shown, warm_up), y=0.97)
    figure.set_label(_seen(results, shown))
    _write_verdict(figure, results)
    place: dict[str, Any] = {"left": 0.085, "right": 0.985}
    upper = figure.add_gridspec(
        1, 3, bottom=0.49, top=0.765, wspace=0.12, width_ratios=(10, 7, 4), **place
    )
    draw_histogram(histogram := figure.add_subplot(upper[0]), shown)
    draw_margins(figure.add_subplot(upper[1]), shown)
    draw_misses(figure.add_subplot(upper[2]), shown)
    _head(histogram, shown, criteria)
    low = 0.135
    tall = 0.024 * len(shown.lanes)
    lower = figure.add_gridspec(
        2, 1, bottom=low, top=0.42, hspace=0.03, height_ratios=(0.29 - tall, tall), **place
    )
    run = figure.add_subplot(lower[0])
    lanes = figure.add_subplot(lower[1], sharex=run)
    draw_run(run, shown)
    draw_lanes(lanes, shown)
    handles, labels = legend_entries(shown)
    figure.legend(
        handles,
        labels,
        loc="lower center",
        bbox_to_anchor=(0.5, 0.036),
        ncols=len(labels),
        handler_map={tuple: HandlerTuple(ndivide=None, pad=0.4)},
        columnspacing=1.6,
    )
    figure.text(
        0.5,
        0.024,
        "An error above 0: the insert lies too far back on its carrier.",
        ha="center",
        va="center",
        fontsize=8,
    )
    return figure


def _subtitle(results: Results, shown: Shown, warm_up: int) -> str:
    speed = display(results.line_speed_mm_s, "speed", units=shown.units)
    name = one_line(shown.figures.name, 80)
    text = f"{name} at {speed}, {carriers_run(results)}"
    return f"{text} after {whole(warm_up)} of warm-up" if warm_up else text


def _seen(results: Results, shown: Shown) -> str:
    """Describe the page in words, for readers who cannot see it."""
    figures, units = shown.figures, shown.units
    error = figures.placement_error
    mean, sd = length(error.mean_mm, units, sign=True), length(error.sd_mm, units)
    hazards = ", ".join(f"{m.hazard.replace('_', ' ')} {m.seen}" for m in shown.margins if m.seen)
    return (
        f"{decision(results)[0]}. A histogram of {whole(error.n)} placement errors of "
        f"{one_line(figures.name, 80)} within ±{shown.tolerance_text}: mean {mean}, sd {sd}. "
        f"The margin of each hazard against zero; seen: {hazards or 'none'}. Missed carriers by "
        f"cause: {whole(figures.missed.count)}. Below, the errors carrier after carrier, with "
        "what happened."
    )


def _write_verdict(figure: Figure, results: Results) -> None:
    """Write the verdict and its reasons: white on black where it is not accepted."""
    head, reasons = decision(results)
    kind = None if results.sureness is Sureness.OPEN else results.accepted
    figure.text(
        0.5,
        0.898,
        head,
        ha="center",
        va="center",
        fontsize=11.0,
        fontweight="bold",
        color="white" if kind is False else BLACK,
        bbox={"boxstyle": "square,pad=0.45", **_BOXES[kind]},
        gid="verdict",
    )
    told = [part for reason in reasons[:_MOST_REASONS] for part in wrap(reason, _LETTERS)]
    if len(told) > _MOST_LINES:  # each cut to a line
        told = [one_line(reason, _LETTERS) for reason in reasons[:_MOST_REASONS]]
    if len(reasons) > _MOST_REASONS:
        told[-1] = f"and {len(reasons) - _MOST_REASONS + 1} reasons more, in the summary"
    figure.text(0.5, 0.868, "\n".join(told), ha="center", va="top", fontsize=8.0, gid="reasons")


def _head(axes: Axes, shown: Shown, criteria: Criteria) -> None:
    error, units = shown.figures.placement_error, shown.units
    figures = [f"n = {whole(error.n)}"]
    if error.mean_mm is not None:
        figures.append(f"mean {length(error.mean_mm, units, sign=True)}")
    if error.sd_mm is not None:
        figures.append(f"sd {length(error.sd_mm, units)}")
    if error.within_tolerance is not None:
        share = percent(error.within_tolerance, error.within_tolerance_ci95)
        figures.append(f"{share} in tolerance, {percent(criteria.within_tolerance)} wanted")
    above(axes, true_minus(", ".join(figures)), 17.0, fontsize=8.5)
