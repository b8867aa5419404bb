"""A sweep's results as columns against speed, one feeder at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.criteria import Criteria
from feedsim.metrics.plain import Plain
from feedsim.quantities import System, display_unit

__all__ = ["HAZARDS", "SweepView", "sweep_view"]

Floats = NDArray[np.float64]

HAZARDS = (
    "nose_strike",
    "tail_held",
    "speed_mismatch",
    "off_carrier",
    "stray_insert",
    "double",
    "drive_overload",
)


@dataclass(frozen=True, slots=True)
class SweepView:
    """One feeder's figures at each point, in the units that are drawn.

    ``speeds`` rises, shape (n,); a column has shape (n,), NaN where there is no figure.
    ``highest``: speed up to which every point is accepted, None if the first is not.
    """

    name: str
    speeds: Floats
    accepted: NDArray[np.bool_]
    feeders: tuple[Mapping[str, Any], ...]
    criteria: Criteria
    units: System
    highest: float | None

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


def sweep_view(
    points: Sequence[Mapping[str, Plain]], number: int, *, criteria: Criteria, units: System
) -> SweepView:
    """Gather one feeder's figures from the points of ``sweep.json``."""
    plain: Sequence[Mapping[str, Any]] = points
    factor = display_unit("speed", units).factor
    speeds = np.array([point["line_speed_mm_s"] * factor for point in plain])
    accepted = np.array([bool(point["accepted"]) for point in plain])
    first_refused = speeds[~accepted].min() if not accepted.all() else math.inf
    fine = speeds[speeds < first_refused]
    return SweepView(
        name=plain[0]["feeders"][number]["name"],
        speeds=speeds,
        accepted=accepted,
        feeders=tuple(point["feeders"][number] for point in plain),
        criteria=criteria,
        units=units,
        highest=float(fine.max()) if len(fine) else None,
    )
