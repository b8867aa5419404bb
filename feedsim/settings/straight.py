"""Travels that are straight against line speed, and where they jump from one step to the next."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

BESIDE = 1e-7
"""Distance of a checked speed from its jump, as a fraction of the speed."""


def beside(speed: float) -> tuple[float, float]:
    """Return the speeds (mm/s) just below and above a jump."""
    return speed * (1.0 - BESIDE), speed * (1.0 + BESIDE)


@dataclass(frozen=True, slots=True)
class Straight:
    """A travel (mm, counted) against line speed: a + c·speed (elementary)."""

    a: float
    c: float

    @classmethod
    def through(cls, first: tuple[float, float], last: tuple[float, float]) -> Straight:
        """Return the line through two pairs of speed (mm/s) and travel (mm)."""
        c = (last[1] - first[1]) / (last[0] - first[0])
        return cls(first[1] - c * first[0], c)

    def less(self, other: Straight) -> Straight:
        """Return the difference of two travels."""
        return Straight(self.a - other.a, self.c - other.c)

    def at(self, speed: float) -> float:
        """Return the travel at a speed."""
        return self.a + self.c * speed

    def meets(
        self, per_s: float, mm: float, offset: float, *, ends: tuple[float, float], most: int
    ) -> tuple[list[tuple[int, float]], bool]:
        """Return where it is n + offset steps of per_s·speed + mm, and whether these are all.

        At speed (a − (n + offset)·mm)/((n + offset)·per_s − c) (elementary), for whole n reached
        between two speeds, at most ``most`` of them, evenly thinned: pairs of n and speed (mm/s).
        """
        low, high = sorted(self.at(v) / (per_s * v + mm) - offset for v in ends)
        numbers = range(math.ceil(low), math.floor(high) + 1)
        many = len(numbers)
        some = numbers if many <= most else (numbers[k * many // most] for k in range(most))
        return list(self._where(some, per_s, mm, offset)), many <= most

    def _where(
        self, numbers: Iterator[int] | range, per_s: float, mm: float, offset: float
    ) -> Iterator[tuple[int, float]]:
        for n in numbers:
            slope = (n + offset) * per_s - self.c
            if slope:
                yield n, (self.a - (n + offset) * mm) / slope
