"""The figure of a comparison for each feeder: all setups, and their differences to the first."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from feedsim.answers.compare.panels import MOST_BANDS, draw_curves, draw_differences
from feedsim.answers.compare.study.results import Comparisons
from feedsim.answers.compare.text import comes_and_goes_words, named
from feedsim.answers.compare.view import STYLES, CompareView, compare_view, nested
from feedsim.answers.compare.words import FIGURES
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import one_each, page
from feedsim.render.layout import one_line
from feedsim.render.wording import speed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LINE = 0.024
"""Height of a line of the legend, in heights of the figure."""
_SMALL_LINE, _LETTERS = 0.021, 180
"""The same for a line below the panels, and how many letters it holds."""


def compare_figures(compared: Comparisons, *, units: System = "metric") -> dict[str, Figure]:
    """Draw a comparison.

    Above: mean placement error (thin: mean ± 2 sd, of up to three setups), its spread, share
    in tolerance, missed carriers and jam risk of all setups against line speed. Below: the
    paired differences of the others to the first with their 95 % intervals.
    """
    count = len(compared.points[0].results[0].results.feeders)
    return one_each(
        "compare", count, lambda number: _figure(compared, compare_view(compared, number, units))
    )


def _figure(compared: Comparisons, view: CompareView) -> Figure:
    figure = page(f"{compared.title} · {view.name}", y=0.968)
    verdicts = [f"{letter} {_accepted(compared, letter, view)}" for letter in view.letters]
    figure.set_label(
        f"Of setups {', '.join(verdicts)}: mean error, spread, share in tolerance, missed carriers "
        f"and jam risk against line speed; below, the differences to A on the same carriers, with "
        f"95 % intervals."
    )
    top = 0.94 - _LINE * len(view.letters)
    _legend(figure, compared, view)
    notes = _notes(compared, view.units)
    grid = figure.add_gridspec(
        2,
        len(FIGURES),
        left=0.055,
        right=0.99,
        bottom=0.095 + _SMALL_LINE * len(notes),
        top=top - 0.03,
        hspace=0.13,
        wspace=0.3,
    )
    for column, panel in enumerate(FIGURES):
        above = figure.add_subplot(grid[0, column])
        below = figure.add_subplot(grid[1, column], sharex=above)
        draw_curves(above, view, panel)
        draw_differences(below, view, panel)
        below.set_xlabel(f"line speed ({display_unit('speed', view.units).label})")
        above.tick_params(labelbottom=False)
        for axes in (above, below):
            axes.grid(axis="both", color="#dddddd", linewidth=0.6)
            axes.set_axisbelow(True)
            axes.tick_params(pad=2.0)
    read = [_how_to_read(view), *notes]
    for place, text in enumerate(reversed(read)):
        y = 0.02 + _SMALL_LINE * place
        figure.text(0.5, y, text, ha="center", va="center", fontsize=8)
    return figure


def _notes(compared: Comparisons, units: System) -> list[str]:
    """Name for each setup where acceptance comes and goes with speed, a line or more each."""
    found = []
    for place, letter in enumerate(compared.highest_accepted_speed_mm_s):
        results = [point.results[place].results for point in compared.points]
        words = comes_and_goes_words(compared, letter, results, units=units)
        found += wrap(f"{letter}: {words}", _LETTERS) if words else []
    return found


def _how_to_read(view: CompareView) -> str:
    others = view.letters[1] if len(view.letters) == 2 else "each other setup"
    thin = "thin: mean ± 2 sd, " if len(view.letters) <= MOST_BANDS else ""
    return (
        f"Above: all setups ({thin}grey dashes: tolerance, acceptance). Below: {others} − A on "
        "the same carriers, with 95 % intervals; filled: decided, it does not reach 0."
    )


def _legend(figure: Figure, compared: Comparisons, view: CompareView) -> None:
    """Write a line for each setup: its style, its name, its accepted speed."""
    from matplotlib.lines import Line2D

    setups = compared.setups
    for place, setup in enumerate(setups):
        y = 0.94 - _LINE * (place + 0.2)
        look = STYLES[place]
        figure.add_artist(
            Line2D(
                [0.045, 0.075, 0.105],
                [y, y, y],
                color=look.colour,
                marker=look.marker,
                linestyle=look.line,
                markevery=[1],
                **nested(place, len(setups)),
            )
        )
        accepted = _accepted(compared, setup.setup, view)
        text = one_line(f"{setup.setup}  {named(setup, setups[0])}", 120)
        figure.text(0.115, y, f"{text}  ({accepted})", ha="left", va="center", fontsize=9)


def _accepted(compared: Comparisons, letter: str, view: CompareView) -> str:
    highest = compared.highest_accepted_speed_mm_s[letter]
    if highest is None:
        return "not accepted even at the lowest speed"
    return f"accepted up to {speed(highest, view.units)}"
