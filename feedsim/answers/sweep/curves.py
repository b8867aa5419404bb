"""A sweep's results as columns over one axis, one feeder at a time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.answers.sweep.scale import Scale, scale_of
from feedsim.answers.sweep.study import Swept
from feedsim.arrays import Bools, Floats
from feedsim.criteria import Criteria
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.hazards import Hazard
from feedsim.metrics.intervals import Interval
from feedsim.metrics.results import Results
from feedsim.quantities import System, display_unit
from feedsim.running.run import criteria_of

_COMPLAINTS = {
    "placement tolerance": "tolerance",
    "of the carriers were missed": "missed",
    "jam hazard": "jam risk",
    "no insert was placed": "nothing placed",
}


@dataclass(frozen=True, slots=True)
class SweepView:
    """One feeder's figures at each point, in the units that are drawn.

    A column has shape (n,), NaN where there is no figure.

    Attributes
    ----------
    scale : Scale
        Where the points stand.
    number : int
        Of the feeder.
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
        """Whether more carriers could turn the verdict, shape (n,)."""
        return np.array([is_undecided(results) for results in self.points])

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
        values = (get(feeder) for feeder in self.feeders)
        return np.array([math.nan if value is None else value for value in values])

    def hazard(self, name: str, get: Callable[[Hazard], float | None]) -> Floats:
        """Return a figure of one hazard at every point, shape (n,)."""
        return self.column(lambda feeder: get(feeder.hazards.by_name[name]))

    def cause(self, name: str) -> Floats:
        """Return how many carriers were missed for one cause at every point, shape (n,)."""
        return self.column(lambda feeder: feeder.missed.by_cause.by_name[name])

    def ends(self, get: Callable[[FeederResults], Interval | None]) -> tuple[Floats, Floats]:
        """Return the ends of an interval at every point, shape (n,) each."""
        found = [get(feeder) or Interval(math.nan, math.nan) for feeder in self.feeders]
        return np.array([low for low, _ in found]), np.array([high for _, high in found])


def is_undecided(results: Results) -> bool:
    """Tell whether more carriers could turn a verdict."""
    return not (results.decided if results.accepted else results.refused)


def what_fails(results: Results) -> tuple[str, ...]:
    """Return in short why a line is not accepted; empty where it is.

    Read off the sentences of the verdict, which hold whatever was varied.
    """
    reasons = " ".join(results.not_accepted_because)
    return tuple(name for mark, name in _COMPLAINTS.items() if mark in reasons)


def sweep_view(swept: Swept, number: int, *, units: System) -> SweepView:
    """Gather one feeder's figures from the points of a sweep over one axis."""
    (axis,) = swept.axes
    points = tuple(point.results for point in swept.points)
    return SweepView(scale_of(axis, units), points, number, criteria_of(swept.scenario), units)
