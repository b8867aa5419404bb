"""The cost of all mechanisms together at the line speeds checked."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import groupby

from feedsim.criteria import Criteria, Figure
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.mechanisms import MECHANISMS

NOTHING, _ROUNDING = 1e-9, 1e-9
EASILY = 0.8
"""A figure at most this share of its limit is accepted with a margin."""

FIGURES: tuple[Figure, ...] = ("missed", "jam_risk", "within_tolerance")
_OF = {f: [n for n, m in enumerate(MECHANISMS) if m.figure == f] for f in FIGURES}


@dataclass(frozen=True, slots=True)
class Excess:
    """The acceptance figure furthest beyond its limit, or nearest to it.

    ``times``: its share over the largest allowed one; above 1 it is refused.
    """

    times: float
    figure: Figure
    share: float

    @property
    def refused(self) -> bool:
        """Whether it exceeds its limit."""
        return self.times > 1.0


@dataclass(slots=True)
class SharesBySpeed:
    """The shares of one feeder's mechanisms, each computed on first use.

    Few are needed mostly: one figure is enough to refuse a speed, and a figure known to be accepted
    matters only if no other is as near its limit.

    Attributes
    ----------
    at : callable
        Line speed (mm/s) → the feeder at that speed.
    allowed : Criteria
    looked_at : set of float
        Line speeds (mm/s) at which all mechanisms together were checked.
    """

    at: At
    allowed: Criteria
    looked_at: set[float] = field(default_factory=set)
    _shares: list[dict[float, float]] = field(default_factory=lambda: [{} for _ in MECHANISMS])
    _most: dict[Figure, float] = field(init=False)
    _excess: dict[tuple[float, Figure], Excess] = field(default_factory=dict)
    _refused: dict[float, bool] = field(default_factory=dict)
    _borne: dict[Figure, list[tuple[float, float]]] = field(
        default_factory=lambda: {figure: [] for figure in FIGURES}
    )
    _likely: int = 0
    _any: FeederAtSpeed | None = None

    def __post_init__(self) -> None:
        self.at = lru_cache(maxsize=256)(self.at)
        self._most = {figure: accepted_to(self.allowed.largest(figure)) for figure in FIGURES}

    def share(self, speed: float, number: int) -> float:
        """Return the share of a mechanism at a line speed (mm/s), by its number."""
        known = self._shares[number]
        found = known.get(speed)
        if found is None:
            m = MECHANISMS[number]
            if self._any is None or m.by_settings:
                there = self._any = self.at(speed)
            else:
                there = self._any.on_line_at(speed)
            found = known[speed] = m.share(there, self.allowed)
        return found

    def at_speed(self, speed: float) -> tuple[float, ...]:
        """Return the share of each mechanism at a line speed (mm/s), in their order."""
        return tuple(self.share(speed, number) for number in range(len(MECHANISMS)))

    def largest(self, speed: float, figure: Figure) -> tuple[str, float]:
        """Return the mechanism with the largest share of a figure at a speed (mm/s), and that."""
        number = max(_OF[figure], key=lambda n: self.share(speed, n))
        return MECHANISMS[number].name, self.share(speed, number)

    def most(self, figure: Figure) -> float:
        """Return the largest share of a figure that is accepted."""
        return self._most[figure]

    def bear(self, low: float, high: float, figure: Figure) -> None:
        """Note that a figure is at most ``EASILY`` of its limit at all speeds between two."""
        self._borne[figure].append((low, high))

    def is_borne(self, speed: float, figure: Figure) -> bool:
        """Return whether that was noted for a line speed (mm/s)."""
        borne = self._borne[figure]
        return bool(borne) and any(low <= speed <= high for low, high in borne)

    def excess(self, speed: float) -> Excess:
        """Return the excess of all mechanisms together at a line speed (mm/s)."""
        self.looked_at.add(speed)
        found = [self._of(speed, f) for f in FIGURES if not self.is_borne(speed, f)]
        if max((excess.times for excess in found), default=0.0) <= EASILY:
            found = [self._of(speed, f) for f in FIGURES]
        return max(found, key=lambda excess: excess.times)

    def _of(self, speed: float, figure: Figure) -> Excess:
        if (speed, figure) not in self._excess:
            share = together(self.share(speed, n) for n in _OF[figure])
            self._excess[speed, figure] = Excess(share / self.most(figure), figure, share)
        return self._excess[speed, figure]

    def times(self, speed: float, figure: Figure) -> float:
        """Return the share of a figure over its limit at a line speed (mm/s)."""
        self.looked_at.add(speed)
        return self._of(speed, figure).times

    def is_beyond(self, speed: float, times: float, *, of: Sequence[Figure] = FIGURES) -> bool:
        """Return whether a figure exceeds a multiple of its limit (``EASILY`` or more).

        ``speed``: line speed (mm/s). ``of``: which figures. Tries the last offender first.
        """
        self.looked_at.add(speed)
        likely = MECHANISMS[self._likely].figure
        if likely in of and self._share_of_most(speed, self._likely) > times * (1.0 + _ROUNDING):
            return True
        for figure in of:
            if not self.is_borne(speed, figure) and self._of(speed, figure).times > times:
                self._likely = max(_OF[figure], key=lambda n: self._share_of_most(speed, n))
                return True
        return False

    def _share_of_most(self, speed: float, number: int) -> float:
        return self.share(speed, number) / self.most(MECHANISMS[number].figure)

    def refused(self, speed: float) -> bool:
        """Return whether a line speed (mm/s) is refused."""
        found = self._refused.get(speed)
        if found is None:
            found = self._refused[speed] = self.is_beyond(speed, 1.0)
        self.looked_at.add(speed)
        return found

    def alone(self, speed: float, number: int) -> bool:
        """Return whether one mechanism alone, by its number, exceeds its limit at a speed."""
        figure = MECHANISMS[number].figure
        most = self.most(figure)
        return not self.is_borne(speed, figure) and self.share(speed, number) > most

    def alone_too_much(self, speed: float) -> bool:
        """Return whether any mechanism alone exceeds its limit at a line speed (mm/s)."""
        self.looked_at.add(speed)
        return any(self.alone(speed, number) for number in range(len(MECHANISMS)))

    def edge(self, one: float, other: float, *, to: float) -> float:
        """Return the edge (mm/s) between a refused and an accepted speed, to a fraction of it."""
        return crossing(lambda speed: self.excess(speed).times, one, other, to=to)

    def runs(self) -> list[list[float]]:
        """Return the checked speeds (mm/s) that are refused, rising, grouped into runs."""
        groups = groupby(sorted(self.looked_at), self.refused)
        return [list(speeds) for refused, speeds in groups if refused]


def accepted_to(most: float) -> float:
    """Return the largest accepted share of a figure with limit ``most``.

    A share below 1e-9 counts as none, and one beyond its limit by rounding alone as allowed.

    >>> 1.0 - (1.0 - 0.001) > 0.001, 1.0 - (1.0 - 0.001) > accepted_to(0.001)
    (True, False)
    """
    return max(most * (1.0 + _ROUNDING), NOTHING)


def together(shares: Iterable[float]) -> float:
    """Return 1 − Π(1 − share), the combined share of independent causes (elementary)."""
    left = 1.0
    for share in shares:
        left *= 1.0 - share
    return 1.0 - left


def crossing(times: Callable[[float], float], one: float, other: float, *, to: float) -> float:
    """Return where between two speeds (mm/s) a ratio crosses 1, being above it at one of them.

    ``times``: line speed (mm/s) → a share over its limit. ``to``: accuracy, as a fraction of the
    speed.
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
    """Return the fraction of a stretch at which shares, linear in their logarithm, reach 1.

    0.5 if that is undefined or last left more than half of the stretch (regula falsi with halving,
    like the Illinois method, from memory).
    """
    if halve or min(near, far) <= 0.0:
        return 0.5
    first, second = math.log(near), math.log(far)
    # keep off both ends, so that either can move
    return min(0.95, max(0.05, first / (first - second))) if first != second else 0.5
