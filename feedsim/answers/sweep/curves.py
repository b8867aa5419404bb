"""A sweep's results as columns over one axis, one feeder at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.sweep.scale import Scale
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.plain import Plain
from feedsim.quantities import System, display_unit

__all__ = ["SweepView", "feeders_of", "is_undecided", "sweep_view", "what_fails"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

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
    name : str
        Of the feeder.
    several : bool
        Whether the line has other feeders too.
    scale : Scale
        Where the points stand.
    accepted, undecided : bool array, shape (n,)
        The verdict on the whole line at each point, and whether more carriers could turn it.
    feeders : tuple of mapping
        The feeder's figures at each point.
    criteria : Criteria
    units : {"metric", "inch"}
    """

    name: str
    several: bool
    scale: Scale
    accepted: Bools
    undecided: Bools
    feeders: tuple[Mapping[str, Any], ...]
    criteria: Criteria
    units: System

    @property
    def x(self) -> Floats:
        """Where the points are drawn, shape (n,)."""
        return self.scale.at

    @property
    def length_factor(self) -> float:
        """Drawn length per mm."""
        return display_unit("length", self.units).factor

    def column(self, get: Callable[[Mapping[str, Any]], float | None]) -> Floats:
        """Return one figure at every point, shape (n,)."""
        values = (get(feeder) for feeder in self.feeders)
        return np.array([math.nan if value is None else value for value in values])

    def hazard(self, name: str, figure: str) -> Floats:
        """Return a figure of one hazard at every point, shape (n,)."""
        return self.column(lambda feeder: feeder["hazards"][name][figure])

    def cause(self, name: str) -> Floats:
        """Return how many carriers were missed for one cause at every point, shape (n,)."""
        return self.column(lambda feeder: feeder["missed"]["by_cause"][name])

    def ends(
        self, get: Callable[[Mapping[str, Any]], Sequence[float] | None]
    ) -> tuple[Floats, Floats]:
        """Return the ends of an interval at every point, shape (n,) each."""
        found = [get(feeder) or (math.nan, math.nan) for feeder in self.feeders]
        return np.array([low for low, _ in found]), np.array([high for _, high in found])


def is_undecided(point: Mapping[str, Any]) -> bool:
    """Tell whether more carriers could turn the verdict on a point."""
    return not (point["decided"] if point["accepted"] else point["refused"])


def what_fails(point: Mapping[str, Any]) -> tuple[str, ...]:
    """Return in short why a point is not accepted; empty where it is.

    Read off the sentences of the verdict, which hold whatever was varied.
    """
    reasons = " ".join(point["not_accepted_because"])
    return tuple(name for mark, name in _COMPLAINTS.items() if mark in reasons)


def feeders_of(points: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the names of the feeders."""
    return [feeder["name"] for feeder in points[0]["feeders"]]


def sweep_view(
    points: Sequence[Mapping[str, Plain]],
    number: int,
    *,
    scale: Scale,
    criteria: Criteria,
    units: System,
) -> SweepView:
    """Gather one feeder's figures from the points of ``sweep.json``."""
    plain: Sequence[Mapping[str, Any]] = points
    return SweepView(
        name=plain[0]["feeders"][number]["name"],
        several=len(feeders_of(points)) > 1,
        scale=scale,
        accepted=np.array([bool(point["accepted"]) for point in plain]),
        undecided=np.array([is_undecided(point) for point in plain]),
        feeders=tuple(point["feeders"][number] for point in plain),
        criteria=criteria,
        units=units,
    )
