"""What a run is judged by."""

from __future__ import annotations

from dataclasses import dataclass, field

from feedsim.metrics.recipe import Recipe

__all__ = ["Criteria"]


@dataclass(frozen=True, slots=True)
class Criteria:
    """Acceptance figures, and the limits of hazards that are no part of the machine.

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
        By how much an insert may reach over either end of its carrier.
    recipe : Recipe
        When a product is complete.
    """

    placement_tolerance_mm: float
    within_tolerance: float
    missed: float
    jam_risk: float
    speed_mismatch: float
    overhang_mm: float
    recipe: Recipe = field(default_factory=Recipe)
