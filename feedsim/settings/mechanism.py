"""What a mechanism is that limits the speed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from feedsim.criteria import Criteria, Figure
from feedsim.machine import Feeder, Machine

__all__ = ["Mechanism"]

Share = Callable[[Machine, Feeder, float, Criteria], float]


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
        (machine, feeder, line speed in mm/s, criteria) → its share of that figure, 0…1.
    """

    name: str
    figure: Figure
    share: Share
