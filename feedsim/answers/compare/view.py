"""A comparison as columns against speed, one feeder at a time, and how each setup looks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from feedsim.answers.compare.study.results import Comparisons, SetupsTogether
from feedsim.answers.compare.words import ComparedFigure, State, state_of
from feedsim.arrays import Floats
from feedsim.criteria import Criteria
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.intervals import Interval
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREEN, GREY, ORANGE, SKY, VERMILLION
from feedsim.running.run import criteria_of

if TYPE_CHECKING:
    from matplotlib.typing import LineStyleType


class Style(NamedTuple):
    """Colour, marker and line of a setup: each alone identifies it, also in grey print."""

    colour: str
    marker: str
    line: LineStyleType


STYLES = (
    Style(BLACK, "o", "-"),
    Style(BLUE, "s", DASHED),
    Style(VERMILLION, "^", "-."),
    Style(GREEN, "D", ":"),
    Style(ORANGE, "v", (0, (8, 2))),
    Style(SKY, "P", (0, (3, 1, 1, 1, 1, 1))),
    Style("#CC79A7", "X", (0, (1, 1))),
    Style(GREY, "*", (0, (6, 2, 2, 2))),
)


def nested(place: int, setups: int) -> dict[str, Any]:
    """Return width and marks of a setup, each narrower than the one before, so that equals show."""
    inner = 1.0 - place / max(setups - 1, 1)
    return {
        "linewidth": 1.0 + 1.8 * inner,
        "markersize": 3.5 + 4.5 * inner,
        "markeredgewidth": 1.1,
        "markerfacecolor": "none",
    }


class Differences(NamedTuple):
    """One figure's differences to the first setup, shape (n,) each; NaN where there is none."""

    size: Floats
    low: Floats
    high: Floats
    states: tuple[State, ...]


@dataclass(frozen=True, slots=True)
class CompareView:
    """One feeder's figures in all setups, in the drawn units.

    ``speeds`` rises, shape (n,). ``letters``: of all setups, the first one first.
    """

    name: str
    speeds: Floats
    points: tuple[SetupsTogether, ...]
    letters: tuple[str, ...]
    number: int
    criteria: Criteria
    units: System

    @property
    def length_factor(self) -> float:
        """Drawn length per mm."""
        return display_unit("length", self.units).factor

    @property
    def length_unit(self) -> str:
        """Label of the drawn length."""
        return display_unit("length", self.units).label

    def column(self, place: int, get: Callable[[FeederResults], float | None]) -> Floats:
        """Return one figure of setup number ``place`` at every speed, shape (n,)."""
        found = [get(point.results[place].results.feeders[self.number]) for point in self.points]
        return np.array(found, np.float64)  # of None: NaN

    def differences(self, place: int, figure: ComparedFigure, factor: float) -> Differences:
        """Return one figure's differences, other setup number ``place`` less the first."""
        found = [figure.of(p.differences[place].feeders[self.number]) for p in self.points]
        nowhere = Interval(math.nan, math.nan)
        ends = np.array([d.interval or nowhere for d in found])
        sizes = np.array([d.size for d in found], np.float64)
        return Differences(
            factor * sizes, factor * ends[:, 0], factor * ends[:, 1], tuple(map(state_of, found))
        )


def compare_view(compared: Comparisons, number: int, units: System) -> CompareView:
    """Gather one feeder's figures."""
    points, factor = compared.points, display_unit("speed", units).factor
    names = [each.results.feeders[number].name for each in points[0].results]
    return CompareView(
        name=" / ".join(dict.fromkeys(names)),
        speeds=np.array([point.line_speed_mm_s * factor for point in points]),
        points=points,
        letters=tuple(setup.setup for setup in compared.setups),
        number=number,
        criteria=criteria_of(compared.setups[0].scenario),
        units=units,
    )
