"""What all mechanisms together cost at the line speeds that were looked at."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

from feedsim.criteria import Criteria, Figure
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.mechanisms import MECHANISMS

NOTHING, _ROUNDING = 1e-9, 1e-9

_FIGURES: tuple[Figure, ...] = ("missed", "jam_risk", "within_tolerance")
_OF = {f: [n for n, m in enumerate(MECHANISMS) if m.figure == f] for f in _FIGURES}


@dataclass(frozen=True, slots=True)
class Excess:
    """Which acceptance figure is furthest beyond what is allowed, or nearest to it.

    ``times``: its share over the largest that is allowed; above 1 it is refused.
    """

    times: float
    figure: Figure
    share: float

    @property
    def refused(self) -> bool:
        """Whether it is more than allowed."""
        return self.times > 1.0


@dataclass(slots=True)
class SharesBySpeed:
    """The shares of one feeder's mechanisms, each speed worked out once.

    Attributes
    ----------
    at : callable
        Line speed (mm/s) → the feeder at that speed.
    allowed : Criteria
    by_speed : dict
        Line speed (mm/s) → share of each mechanism, in the order of ``MECHANISMS``.
    """

    at: At
    allowed: Criteria
    by_speed: dict[float, tuple[float, ...]] = field(default_factory=dict)
    _excess: dict[float, Excess] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.at = lru_cache(maxsize=64)(self.at)

    def at_speed(self, speed: float) -> tuple[float, ...]:
        """Return each mechanism's share at a line speed (mm/s)."""
        if speed not in self.by_speed:
            there = self.at(speed)
            self.by_speed[speed] = tuple(m.share(there, self.allowed) for m in MECHANISMS)
        return self.by_speed[speed]

    def most(self, figure: Figure) -> float:
        """Return the largest share of a figure that is accepted."""
        return accepted_to(self.allowed.largest(figure))

    def excess(self, speed: float) -> Excess:
        """Return by how much all mechanisms together are too much at a line speed (mm/s)."""
        if speed not in self._excess:
            self._excess[speed] = self._worst(self.at_speed(speed))
        return self._excess[speed]

    def _worst(self, row: tuple[float, ...]) -> Excess:
        found = []
        for figure in _FIGURES:
            share = together(row[n] for n in _OF[figure])
            found.append(Excess(share / self.most(figure), figure, share))
        return max(found, key=lambda excess: excess.times)

    def refused(self, speed: float) -> bool:
        """Return whether it is more than allowed at a line speed (mm/s)."""
        return self.excess(speed).refused

    def alone_too_much(self, speed: float) -> bool:
        """Return whether one mechanism alone is more than allowed at a line speed (mm/s)."""
        shares = zip(MECHANISMS, self.at_speed(speed), strict=True)
        return any(share > self.most(mechanism.figure) for mechanism, share in shares)

    def edge(self, one: float, other: float, *, to: float) -> float:
        """Return where between two speeds, one refused and one not, it changes (mm/s).

        ``to``: how near, as a share of the speed.
        """
        return crossing(lambda speed: self.excess(speed).times, one, other, to=to)

    def runs(self) -> list[list[float]]:
        """Return the speeds (mm/s) looked at, rising, those in a row together that are refused."""
        speeds = sorted(self.by_speed)
        found: list[list[float]] = []
        for before, speed in pairwise([math.nan, *speeds]):
            if self.refused(speed):
                if not found or found[-1][-1] != before:
                    found.append([])
                found[-1].append(speed)
        return found


def accepted_to(most: float) -> float:
    """Return up to which share a figure is accepted, ``most`` being allowed.

    A share below 1e-9 counts as none, and one beyond what is allowed by rounding alone as allowed.

    >>> 1.0 - (1.0 - 0.001) > 0.001, 1.0 - (1.0 - 0.001) > accepted_to(0.001)
    (True, False)
    """
    return max(most * (1.0 + _ROUNDING), NOTHING)


def together(shares: Iterable[float]) -> float:
    """Return 1 − Π(1 − share), what shares come to that know nothing of each other."""
    left = 1.0
    for share in shares:
        left *= 1.0 - share
    return 1.0 - left


def crossing(times: Callable[[float], float], one: float, other: float, *, to: float) -> float:
    """Return where between two speeds (mm/s) something goes through 1, which it is above at one.

    ``times``: line speed (mm/s) → how many times a share is what is allowed. ``to``: how near, as a
    share of the speed.
    """
    near, far, halve = times(one), times(other), False
    while abs(other - one) > to * max(one, other):
        middle = one + _part(near, far, halve=halve) * (other - one)
        if middle in (one, other):
            break
        there = times(middle)
        same = (there > 1.0) is (near > 1.0)
        halve = abs(middle - (one if same else other)) < 0.5 * abs(other - one)
        if same:
            one, near = middle, there
        else:
            other, far = middle, there
    return 0.5 * (one + other)


def _part(near: float, far: float, *, halve: bool) -> float:
    """Return after which part of a stretch shares straight in their logarithm come to 1.

    The half where they are not, or where that last left more than half of the stretch
    (regula falsi, halving where it is slow: in the way of Illinois, from memory).
    """
    if halve or min(near, far) <= 0.0:
        return 0.5
    first, second = math.log(near), math.log(far)
    # a little beyond it, so that the other end is moved as well
    return min(0.95, max(0.05, first / (first - second))) if first != second else 0.5
