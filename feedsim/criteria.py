"""The criteria of a line, in simulation and in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

Figure = Literal["missed", "jam_risk", "within_tolerance"]
Failing = Literal["within_tolerance", "missed", "jam_risk", "placed"]
"""What fails a line: a figure that is not met, or a feeder that placed nothing."""


@dataclass(frozen=True, slots=True)
class AllowedOverlap:
    """Allowed overlap of the inserts of two feeders, along the travel.

    Attributes
    ----------
    below, above : int
        Feeders, by number, whose inserts lie below and above.
    min_overlap_mm, max_overlap_mm : float
        An overlap below 0 is a clearance; infinite: no limit.
    """

    below: int
    above: int
    min_overlap_mm: float = -math.inf
    max_overlap_mm: float = math.inf


@dataclass(frozen=True, slots=True)
class Recipe:
    """When a product is complete, and its inserts lie correctly.

    Attributes
    ----------
    needs : tuple of int
        Feeders, by number, whose inserts it needs; empty: all of them.
    may_overlap : bool
        Whether inserts may overlap if no pair limits it.
    pairs : tuple of AllowedOverlap
        Each pair of feeders at most once.
    """

    needs: tuple[int, ...] = ()
    may_overlap: bool = True
    pairs: tuple[AllowedOverlap, ...] = ()


@dataclass(frozen=True, slots=True)
class Criteria:
    """Acceptance figures, and limits of hazards that are not properties of the machine.

    Attributes
    ----------
    placement_tolerance_mm : float
        Either side of the target, above 0.
    within_tolerance : float
        At least this share of the placed inserts lies within the tolerance.
    missed : float
        At most this share of the carriers is missed.
    jam_risk : float
        At most this share of the feed cycles has a jam hazard.
    speed_mismatch : float
        Limit of the deviation of nose speed/belt speed from 1 at the landing (0.05: 5 %).
    overhang_mm : float
        How far an insert may overhang either end of its carrier.
    recipe : Recipe
        When a product is complete.
    """

    placement_tolerance_mm: float
    within_tolerance: float
    missed: float
    jam_risk: float
    speed_mismatch: float
    overhang_mm: float
    recipe: Recipe = field(default_factory=Recipe, hash=False)  # asked for often; equality has it

    def largest_error_mm(self, resolution_mm: float) -> float:
        """Return the largest placement error, either way, that lies within the tolerance.

        Errors closer than the resolution count as one, so one just beyond does.
        """
        return self.placement_tolerance_mm + resolution_mm

    def largest(self, figure: Figure) -> float:
        """Return the largest accepted share of a figure: misses, jams or out of tolerance."""
        if figure == "missed":
            return self.missed
        return self.jam_risk if figure == "jam_risk" else 1.0 - self.within_tolerance
