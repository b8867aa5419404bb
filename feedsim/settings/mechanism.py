"""What a mechanism is that limits the speed, and what a setup is judged by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from feedsim.machine import Feeder, Machine

__all__ = ["Allowed", "Figure", "Mechanism"]

Figure = Literal["missed", "jam_risk", "within_tolerance"]


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a setup is judged by.

    Attributes
    ----------
    placement_tolerance_mm : float
        Either side of the target.
    outside_tolerance, missed, jam_risk : float
        Largest shares: of placed inserts, of carriers, of feed cycles.
    speed_mismatch : float
        Largest deviation of nose speed/belt speed from 1 at the landing.
    overhang_mm : float
        By how much an insert may stick out over its carrier.
    """

    placement_tolerance_mm: float
    outside_tolerance: float
    missed: float
    jam_risk: float
    speed_mismatch: float
    overhang_mm: float

    def share(self, figure: Figure) -> float:
        """Return the largest share of a figure."""
        if figure == "missed":
            return self.missed
        return self.jam_risk if figure == "jam_risk" else self.outside_tolerance


Share = Callable[[Machine, Feeder, float, Allowed], float]


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One thing that limits the speed.

    Attributes
    ----------
    name : str
        In the machine's words.
    figure : {"missed", "jam_risk", "within_tolerance"}
        Which acceptance figure it enters.
    share : callable
        (machine, feeder, line speed in mm/s, allowed) → its share of that figure, 0…1.
    """

    name: str
    figure: Figure
    share: Share
