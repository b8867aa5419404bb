"""The inserts in numbers, and the check for doubles."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Inserts:
    """The inserts that the singulator lets onto the insert path.

    ``magazine``: its capacity; 0: endless. ``warning``: inserts left at which refilling begins
    while the line runs; 0: only when it is empty and the line has stopped.
    """

    length_mm: float
    gap_mm: float
    gap_sd_mm: float = 0.0
    min_gap_mm: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0
    misfeed: float = 0.0
    double: float = 0.0
    magazine: int = 0
    warning: int = 0
    refill_time_s: float = 30.0

    @property
    def pitch_mm(self) -> float:
        """The nominal pitch: length and gap."""
        return self.length_mm + self.gap_mm


@dataclass(frozen=True, slots=True)
class DoubleCheck:
    """Probability that a double is found, and that a single is called a double.

    ``stops``: a found double stops the line; else it is counted and goes on.
    """

    finds: float = 0.0
    false_alarm: float = 0.0
    stops: bool = False
