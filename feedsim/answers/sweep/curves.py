"""A sweep's results, one feeder at a time: columns over one axis, a grid of cells over two."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.answers.sweep.scale import Scale, every, scale_of
from feedsim.answers.sweep.study import Swept
from feedsim.arrays import Bools, Floats
from feedsim.criteria import Criteria, Failing
from feedsim.metrics.cycle_hazards import HazardName
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.hazards import HazardShare
from feedsim.metrics.intervals import Interval
from feedsim.metrics.results import Results
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, display_unit
from feedsim.records.outcome import Outcome
from feedsim.running.run import criteria_of

_BRIEFLY: dict[Failing, str] = {
    "within_tolerance": "tolerance",
    "missed": "missed",
    "jam_risk": "jam risk",
    "placed": "nothing placed",
}


@dataclass(frozen=True, slots=True)
class SweepView:
    """One feeder's figures, by its number, at each point, in the drawn units.

    A column has shape (n,), NaN where there is no figure.
    """

    scale: Scale
    points: tuple[Results, ...]
    number: int
    criteria: Criteria
    units: System

    @property
    def name(self) -> str:
        """Of the feeder."""
        return self.feeders[0].name

    @property
    def several(self) -> bool:
        """Whether the line has other feeders too."""
        return len(self.points[0].feeders) > 1

    @property
    def feeders(self) -> tuple[FeederResults, ...]:
        """The feeder's figures at each point."""
        return tuple(results.feeders[self.number] for results in self.points)

    @property
    def accepted(self) -> Bools:
        """The verdict on the whole line at each point, shape (n,)."""
        return np.array([results.accepted for results in self.points])

    @property
    def undecided(self) -> Bools:
        """Whether more carriers could change the verdict, shape (n,)."""
        return np.array([results.sureness is Sureness.OPEN for results in self.points])

    @property
    def x(self) -> Floats:
        """Where the points are drawn, shape (n,)."""
        return self.scale.at

    @property
    def length_factor(self) -> float:
        """Drawn length per mm."""
        return display_unit("length", self.units).factor

    def column(self, get: Callable[[FeederResults], float | None]) -> Floats:
        """Return one figure at every point, shape (n,)."""
        return np.array([get(feeder) for feeder in self.feeders], np.float64)  # of None: NaN

    def hazard(self, name: HazardName, get: Callable[[HazardShare], float | None]) -> Floats:
        """Return a figure of one hazard at every point, shape (n,)."""
        return self.column(lambda feeder: get(feeder.hazards.by_name[name]))

    def missed(self, outcome: Outcome) -> Floats:
        """Return the carriers missed for one cause at every point, shape (n,)."""
        return self.column(lambda feeder: feeder.missed.by_cause.of(outcome))

    def ends(self, get: Callable[[FeederResults], Interval | None]) -> tuple[Floats, Floats]:
        """Return the ends of an interval at every point, shape (n,) each."""
        found = [get(feeder) or Interval(math.nan, math.nan) for feeder in self.feeders]
        return np.array([low for low, _ in found]), np.array([high for _, high in found])


def what_fails(results: Results) -> tuple[str, ...]:
    """Return briefly why a line is not accepted; empty if it is."""
    return tuple(_BRIEFLY[what] for what in results.failing)


def sweep_view(swept: Swept, number: int, *, units: System) -> SweepView:
    """Gather one feeder's figures from the points of a sweep over one axis."""
    (axis,) = swept.axes
    points = tuple(point.results for point in swept.points)
    return SweepView(scale_of(axis, units), points, number, criteria_of(swept.scenario), units)


@dataclass(frozen=True, slots=True)
class Grid(SweepView):
    """One feeder's figures in cells as wide as their steps: a row for each value of the first axis.

    ``scale``: of the last axis; ``y``: of the first.
    """

    y: Scale

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.y.at), len(self.scale.at)

    def cells(self, get: Callable[[FeederResults], float | None]) -> Floats:
        """Return one figure of the feeder, NaN for none, shape (rows, columns)."""
        return self.column(get).reshape(self.shape)

    def row(self, number: int) -> Sequence[Results]:
        """Return the points of one row."""
        columns = self.shape[1]
        return self.points[number * columns : (number + 1) * columns]


def grid_of(swept: Swept, number: int, *, units: System) -> Grid:
    """Gather one feeder's figures from a sweep over two axes."""
    first, last = (scale_of(axis, units) for axis in swept.axes)
    points = tuple(point.results for point in swept.points)
    return Grid(last, points, number, criteria_of(swept.scenario), units, first)


def outline(
    inside: Bools, columns: Floats, rows: Floats
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return the cell edges around a region, as lines from (x, y) to (x, y).

    Cell (r, c) of ``inside``, shape (rows, columns), reaches from ``columns[c]`` to
    ``columns[c + 1]``, and from ``rows[r]`` to ``rows[r + 1]``.

    >>> len(outline(np.array([[True, True]]), np.arange(3.0), np.arange(2.0)))
    6
    """
    padded = np.pad(inside, 1).astype(np.int8)
    upright = np.argwhere(np.diff(padded, axis=1)[1:-1] != 0)
    level = np.argwhere(np.diff(padded, axis=0)[:, 1:-1] != 0)
    x, y = columns.tolist(), rows.tolist()
    lines = [((x[c], y[r]), (x[c], y[r + 1])) for r, c in upright.tolist()]
    return lines + [((x[c], y[r]), (x[c + 1], y[r])) for r, c in level.tolist()]


def shown_ticks(scale: Scale, *, most: int) -> list[int]:
    """Return which values of an axis to write: all if there is room, else round ones."""
    edges = scale.edges
    gap = 0.7 * (edges[-1] - edges[0]) / most
    shown: list[int] = []
    for place in _round_ticks(scale, most):
        at = scale.to_even(scale.at[place])
        if not shown or at - scale.to_even(scale.at[shown[-1]]) > gap:
            shown.append(place)
    return shown


def _round_ticks(scale: Scale, most: int) -> list[int]:
    count = len(scale.at)
    if count <= most or scale.words:
        return every(count, most=most)
    from matplotlib.ticker import MaxNLocator

    wanted = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(
        scale.at[0], scale.at[-1]
    )
    close = 1e-6 * (scale.at[-1] - scale.at[0])
    found = [i for i, at in enumerate(scale.at) if np.abs(wanted - at).min() < close]
    return found if len(found) >= 3 else every(count, most=most)
