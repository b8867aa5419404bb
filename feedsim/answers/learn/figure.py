"""The old scenario, the learned one and the log in one figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from feedsim.answers.learn.panels import (
    BAND,
    BARS,
    DOT,
    NEW,
    OLD,
    draw_acts,
    draw_cycle,
    draw_gaps,
    draw_pitches,
)
from feedsim.answers.learn.study.figures import ACTS
from feedsim.answers.learn.study.learned import Learning
from feedsim.quantities import System
from feedsim.render.canvas import one_each, page
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def learned_figures(found: Learning, *, units: System) -> dict[str, Figure]:
    """Draw what was learned: ``learn``, or a figure for each of several feeders, ``learn-0`` on.

    At the top a logged cycle over the scenario's and the learned one (speed and lag of the feed),
    in the middle the laws of pitch and gap over their histograms, below every act against the point
    that the scenario asks for.
    """
    return one_each("learn", len(found.machine.feeders), lambda n: _figure(found, n, units))


def _figure(found: Learning, number: int, units: System) -> Figure:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    files = one_line(", ".join(log.file for log in found.logs), 70)
    name = found.scenario.feeder[number].name
    subtitle = f"{name}: {files} against the scenario"
    figure = page(found.title, subtitle)
    figure.set_label(
        f"{subtitle}. A logged cycle over the scenario's and the learned one, pitches and gaps "
        "over their laws, and how far each act lay behind its point."
    )
    grid = figure.add_gridspec(
        3, 2, left=0.07, right=0.975, bottom=0.12, top=0.87, hspace=0.62, wspace=0.16
    )
    seen = max(found.seen, key=lambda log: log.feeders[number].command is not None)
    part = seen.feeders[number]
    draw_cycle(figure.add_subplot(grid[0, 0]), found, seen, part, number, units, lag=False)
    draw_cycle(figure.add_subplot(grid[0, 1]), found, seen, part, number, units, lag=True)
    draw_pitches(figure.add_subplot(grid[1, 0]), found, units)
    draw_gaps(figure.add_subplot(grid[1, 1]), found, part, number, units)
    for place, side in enumerate(ACTS):
        draw_acts(figure.add_subplot(grid[2, place]), found, number, units, side=side)
    entries = [
        (Line2D([], [], **DOT), "log"),
        (Patch(**BARS), "log, counted"),
        (Line2D([], [], **OLD), "scenario"),
        (Line2D([], [], **NEW), "learned"),
        (Patch(**BAND), "scenario: up to one motion cycle later"),
    ]
    figure.legend(
        [handle for handle, _ in entries],
        [text for _, text in entries],
        loc="lower center",
        bbox_to_anchor=(0.5, 0.012),
        ncols=5,
    )
    return figure
