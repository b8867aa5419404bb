"""Belt travel with piecewise constant acceleration, in closed form both ways (any text)."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Places, Value
from feedsim.machine import Line


class BeltPiece(NamedTuple):
    """From ``start_s`` on: travel, speed (mm/s) and constant acceleration (mm/s²)."""

    start_s: float
    travel_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float


# -- uniform acceleration (any mechanics textbook), of floats and of arrays -------------------


def travelled(start_mm: Value, speed: Value, acceleration: Value, s: Value) -> Value:
    """Return the travel (mm) ``s`` seconds after a start: m0 + v·s + a·s²/2."""
    return start_mm + (speed + 0.5 * acceleration * s) * s


def speed_after(speed: Value, acceleration: Value, s: Value) -> Value:
    """Return the speed (mm/s) ``s`` seconds after a start: v + a·s, never below 0."""
    v = speed + acceleration * s
    return 0.5 * (v + abs(v))  # v itself above 0, to the last digit


def speed_squared(speed: Value, acceleration: Value, distance: Value) -> Value:
    """Return the square of the speed (mm/s) that a distance (mm) leads to: v² + 2·a·d."""
    return speed * speed + 2.0 * acceleration * distance


def time_to_cover(distance: Value, speed: Value, reached: Value) -> Value:
    """Return the time (s) of a distance (mm) between two speeds (mm/s, not both 0): 2d/(v + v')."""
    return 2.0 * distance / (speed + reached)


def time_to_travel(distance: float, speed: float, *, acceleration: float) -> float:
    """Time until a travel is first covered under constant acceleration.

    Solves d = v·s + a·s²/2 in the form s = 2d/(v + √(v² + 2ad)), which loses no digits
    for either sign of a.

    Parameters
    ----------
    distance : float
        mm, above 0.
    speed : float
        mm/s at the start, 0 or above.
    acceleration : float
        mm/s².

    Returns
    -------
    float
        Seconds; ``inf`` where the motion ends before that travel.
    """
    if acceleration == 0.0:
        return distance / speed if speed > 0.0 else math.inf
    square = speed_squared(speed, acceleration, distance)
    if square < 0.0:
        return math.inf
    root = math.sqrt(square)
    return time_to_cover(distance, speed, root) if speed + root > 0.0 else math.inf


# -- the belt's pieces -------------------------------------------------------------------------


def belt_index(belt: BeltMotion, t: float) -> int:
    """Return the number of the piece in force at time ``t`` (s)."""
    if belt.single:
        return 0
    i = bisect_right(belt.start_times, t) - 1
    return i if i > 0 else 0


def belt_position(belt: BeltMotion, t: float) -> float:
    """Return the travel (mm) at time ``t`` (s)."""
    i = 0 if belt.single else bisect_right(belt.start_times, t) - 1
    if i < 0:
        return belt.start_travels[0]
    s = t - belt.start_times[i]
    return travelled(belt.start_travels[i], belt.start_speeds[i], belt.accelerations[i], s)


def belt_time_at(belt: BeltMotion, travel: float) -> float:
    """Return the first time (s) at which the travel (mm) is reached, or ``inf``.

    By :func:`time_to_travel` from the start of its piece. A travel not ahead of the start is
    reached at the start.
    """
    if travel <= belt.start_travels[0]:
        return belt.start_times[0]
    i = 0 if belt.single else bisect_left(belt.start_travels, travel) - 1
    wait = time_to_travel(
        travel - belt.start_travels[i], belt.start_speeds[i], acceleration=belt.accelerations[i]
    )
    if belt.single:
        return belt.start_times[i] + wait
    # rounding must not carry the travel beyond the end of its piece
    return min(belt.start_times[i] + wait, belt.end_times[i])


class BeltMotion:
    """Belt travel m(t) from t = 0 on; immutable.

    Parameters
    ----------
    pieces : sequence of BeltPiece
        With rising start times, the first at 0 s; the last one never ends. Speeds are
        never below 0.

    Attributes
    ----------
    start_times, start_travels, start_speeds, accelerations, end_times : tuple of float
        The pieces' numbers, column by column; ``inf`` ends the last one.
    count : int
        How many pieces there are; ``single``: but one.
    fastest_mm_s : float
        The highest speed at which a piece starts.
    """

    __slots__ = (
        "accelerations",
        "count",
        "end_times",
        "fastest_mm_s",
        "pieces",
        "single",
        "start_speeds",
        "start_times",
        "start_travels",
    )

    def __init__(self, pieces: Sequence[BeltPiece]) -> None:
        self.pieces = tuple(pieces)
        columns: tuple[tuple[float, ...], ...] = tuple(zip(*self.pieces, strict=True))
        self.start_times, self.start_travels, self.start_speeds, self.accelerations = columns
        self.end_times = (*self.start_times[1:], math.inf)
        self.count = len(self.pieces)
        self.single = self.count == 1
        self.fastest_mm_s = max(self.start_speeds)

    index = belt_index
    position = belt_position
    time_at = belt_time_at

    def speed(self, t: float) -> float:
        """Return the speed (mm/s) at time ``t`` (s)."""
        i = 0 if self.single else bisect_right(self.start_times, t) - 1
        if i < 0:
            return self.start_speeds[0]
        return speed_after(self.start_speeds[i], self.accelerations[i], t - self.start_times[i])

    def times_at(self, travels: Floats) -> Floats:
        """Return :meth:`time_at` for an array of travels (mm), shape kept."""
        i = np.maximum(np.searchsorted(self.start_travels, travels, side="left") - 1, 0)
        start, behind, speed, a = self._columns(i)
        far = travels - behind
        with np.errstate(divide="ignore", invalid="ignore"):
            root = np.sqrt(speed_squared(speed, a, far))
            wait = np.where(speed + root > 0.0, time_to_cover(far, speed, root), np.inf)
        times = np.minimum(start + wait, np.asarray(self.end_times)[i])
        return np.where(travels <= self.start_travels[0], self.start_times[0], times)

    def positions(self, times: Floats) -> Floats:
        """Return :meth:`position` for an array of times (s, from 0 on), shape kept.

        NaN stays NaN, here and in :meth:`speeds`.
        """
        start, travel, speed, a = self._columns(self._indices(times))
        return travelled(travel, speed, a, times - start)

    def speeds(self, times: Floats) -> Floats:
        """Return :meth:`speed` for an array of times (s, from 0 on), shape kept."""
        start, _, speed, a = self._columns(self._indices(times))
        return speed_after(speed, a, times - start)

    def _indices(self, times: Floats) -> Places:
        return np.maximum(np.searchsorted(self.start_times, times, side="right") - 1, 0)

    def _columns(self, i: Places) -> tuple[Floats, Floats, Floats, Floats]:
        """Return the fields of :class:`BeltPiece` of some pieces."""
        start, travel = np.asarray(self.start_times)[i], np.asarray(self.start_travels)[i]
        return start, travel, np.asarray(self.start_speeds)[i], np.asarray(self.accelerations)[i]

    def points_after(self, t: float) -> list[tuple[float, float]]:
        """Return time (s) and speed (mm/s) at the ends of all pieces that begin after ``t``.

        Two points for each end: the speed before it and after it.
        """
        points = []
        for i in range(self.index(t) + 1, len(self.pieces)):
            piece, (start, _, speed, a) = self.pieces[i], self.pieces[i - 1]
            came = speed_after(speed, a, piece.start_s - start)
            points += [(piece.start_s, came), (piece.start_s, piece.speed_mm_s)]
        return points

    def reaches(self, speed_mm_s: float, t: float, *, rate_mm_s2: float) -> float:
        """Return when a ramp that begins at ``t`` (s) would reach a speed: t + |v' − v|/rate."""
        return t + abs(speed_mm_s - self.speed(t)) / rate_mm_s2

    def then(self, t: float, points: Sequence[tuple[float, float]]) -> BeltMotion:
        """Return the motion that is this one up to ``t`` and then follows speed points.

        Parameters
        ----------
        t : float
            Time of the change (s).
        points : sequence of (float, float)
            Rising times (s, not before ``t``) and speeds (mm/s). The speed at ``t`` is the
            present one unless the first point lies at ``t``; straight lines between points,
            the last speed held.
        """
        kept = [p for p in self.pieces if p.start_s < t]
        return BeltMotion(
            [*kept, *_pieces(t, self.position(t), speed=self.speed(t), points=points)]
        )

    def resumed(
        self,
        t: float,
        speed_mm_s: float,
        ahead: Sequence[tuple[float, float]],
        *,
        rate_mm_s2: float,
    ) -> BeltMotion:
        """Return the motion that goes on at ``t`` (s): up to a speed, then what was ahead.

        ``ahead``: speed points (mm/s), with how long after that speed is reached (s).
        """
        up = self.reaches(speed_mm_s, t, rate_mm_s2=rate_mm_s2)
        return self.then(t, [(up, speed_mm_s), *((up + after, v) for after, v in ahead)])


def _pieces(
    t: float, travel: float, *, speed: float, points: Sequence[tuple[float, float]]
) -> list[BeltPiece]:
    pieces = []
    for time, target in points:
        if time > t:
            a = (target - speed) / (time - t)
            pieces.append(BeltPiece(t, travel, speed, a))
            travel += 0.5 * (speed + target) * (time - t)
            t = time
        speed = target
    pieces.append(BeltPiece(t, travel, speed, 0.0))
    return pieces


def belt_at_rest() -> BeltMotion:
    """Return the motion of a belt at rest."""
    return BeltMotion([BeltPiece(0.0, 0.0, 0.0, 0.0)])


def belt_of_line(line: Line, *, start_s: float | None = None) -> BeltMotion:
    """Return the planned belt motion of a line.

    Parameters
    ----------
    start_s : float, optional
        When given, the belt rests until then (s); it then begins its profile or, without
        one, ramps up to line speed. When left out it moves from t = 0 as set.
    """
    if line.profile:
        shift = start_s or 0.0
        points = [(shift + t, v) for t, v in line.profile]
        if points[0][0] > shift:
            points.insert(0, (shift, points[0][1]))
        return belt_at_rest().then(shift, points)
    rest, v = belt_at_rest(), line.speed_mm_s
    if start_s is None:
        return rest.then(0.0, [(0.0, v)])
    return rest.then(start_s, [(rest.reaches(v, start_s, rate_mm_s2=line.acceleration_mm_s2), v)])
