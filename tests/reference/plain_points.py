"""The plain implementation, part 2: ticks, counts, and the points at which a clutch acts.

Written from the model page alone (sections 1, 2, 4, 5 and 8). Motion ticks are stepped
one by one; a step over many ticks is taken only where no tick between could have done.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from feedsim.machine import Encoder
from tests.reference.plain_motion import TINY_MM, TINY_S, Belt, Curve


@dataclass
class Ticks:
    """Ticks at phase + n·period, n any whole number; period 0: at once."""

    phase: float
    period: float

    def number(self, t):
        """Return the number of the first tick at or after t, same instant included."""
        return math.ceil((t - self.phase - TINY_S) / self.period)

    def time(self, n):
        return self.phase + n * self.period

    def at_or_after(self, t):
        """Return the instant of the next tick, never dated before t."""
        if self.period == 0.0:
            return t
        return max(self.time(self.number(t)), t)


@dataclass
class Corrections:
    """What is added to the engage distance (mm), from which instant on."""

    times: list[float] = field(default_factory=lambda: [0.0])
    values: list[float] = field(default_factory=lambda: [0.0])

    def set(self, t, value):
        while self.times and self.times[-1] >= t:
            self.times.pop()
            self.values.pop()
        self.times.append(t)
        self.values.append(value)

    def spans(self, t):
        """Yield (from, until, value), beginning with the span in force at t."""
        last = max(i for i, start in enumerate(self.times) if i == 0 or start <= t + TINY_S)
        for i in range(last, len(self.times)):
            until = self.times[i + 1] if i + 1 < len(self.times) else math.inf
            yield max(self.times[i], t), until, self.values[i]


@dataclass
class Point:
    """Captured reading + rounded (distance − lead·y) + further.

    ``further`` is in the unit of the reading: counts, or mm without counts. ``beyond``:
    the point has to be exceeded, not only reached.
    """

    captured: float
    distance: float
    lead: float
    further: float = 0.0
    beyond: bool = False


class Controller:
    """Reads the encoder, and finds the instants at which points are reached."""

    def __init__(self, belt: Belt, encoder: Encoder, *, phase: float, motion: Ticks):
        self.belt = belt
        self.count_mm = encoder.count_mm
        self.scale = 1.0 + encoder.scale_error
        self.phase = phase
        self.motion = motion

    def reading(self, t):
        """Return whole counts, or counted mm where there are no counts."""
        m = self.belt.travel(t)
        if self.count_mm == 0.0:
            return m / self.scale
        count = self.scale * self.count_mm
        return math.floor(m / count + self.phase + TINY_MM / count)

    def whole(self, mm):
        return round(mm / self.count_mm) if self.count_mm > 0.0 else mm

    def excess(self, point: Point, t):
        """Return how far the reading is beyond the point."""
        length = self.whole(point.distance - point.lead * self.belt.controller_speed(t))
        return self.reading(t) - point.captured - length - point.further

    def holds(self, point: Point, t):
        excess = self.excess(point, t)
        if self.count_mm > 0.0:
            return excess >= (1 if point.beyond else 0)
        return excess > TINY_MM if point.beyond else excess >= -TINY_MM

    def first(self, point: Point, start, until=math.inf):
        """Return the first motion tick from ``start`` on, before ``until``, or None."""
        if self.motion.period > 0.0:
            return self._first_tick(point, start, until)
        if self.count_mm > 0.0:
            return self._first_instant_of_counts(point, start, until)
        return self._first_instant(point, start, until)

    # --- with motion ticks ----------------------------------------------------------

    def _first_tick(self, point, start, until):
        n = self.motion.number(start)
        while True:
            t = max(self.motion.time(n), start)
            if t >= until - TINY_S:
                return None
            if self.holds(point, t):
                return t
            safe = (self._safe_until(point, t) - self.motion.phase) / self.motion.period
            n = max(n + 1, math.floor(safe))

    def _safe_until(self, point, t):
        """Return an instant before which the point cannot be reached from t on."""
        s = self.belt.stretch(t)
        missing = -self.excess(point, t) * (self.count_mm or 1.0) - 2.0 * self.count_mm - 1e-6
        if missing <= 0.0:
            return t
        change = s.filtered.slope()
        end = s.end - s.start if s.end < math.inf else t - s.start + 1e6
        changes = [abs(change.at(t - s.start)), abs(change.at(end))]
        fastest = max(s.v, s.end_speed if s.end < math.inf else s.v) / self.scale
        rate = fastest + abs(point.lead) * max(changes)
        if rate == 0.0:
            return s.end
        return min(t + missing / rate, s.end)

    # --- without: at once ---------------------------------------------------------------

    def _first_instant(self, point, start, until):
        """Without ticks or counts: a root on each stretch of the belt."""
        if self.holds(point, start):
            return start if start < until - TINY_S else None
        for s in self.belt.after(start):
            lo = max(start - s.start, 0.0)
            if s.start + lo >= until - TINY_S:
                return None
            counted = Curve([x / self.scale for x in (s.m, s.v, s.a / 2.0)])
            beyond = counted.plus(s.filtered, point.lead)
            level = point.captured + point.distance + point.further
            beyond.coefs[0] -= level
            hi = s.end - s.start
            if hi == math.inf:
                hi = lo + 1.0
                while beyond.at(hi) < 0.0:
                    hi *= 2.0
            root = beyond.first_at_least(0.0, lo, hi)
            if root is not None:
                t = s.start + root
                return t if t < until - TINY_S else None
        raise AssertionError("the belt runs without end")

    def _first_instant_of_counts(self, point, start, until):
        """Without ticks: from one change of a whole number to the next."""
        t = start
        if self.holds(point, t):
            return t if t < until - TINY_S else None
        while t < until - TINY_S:
            then = self._next_change(point, t)
            if self.holds(point, (t + then) / 2.0):
                return t
            t = max(then, self._safe_until(point, t))
        return None

    def _next_change(self, point, t):
        """Return the next instant at which the count or the rounded distance changes."""
        s = self.belt.stretch(t)
        count = self.reading(t)
        changes = [s.end, self.belt.time_at(self.scale * self.count_mm * (count + 1 - self.phase))]
        length = Curve([point.distance / self.count_mm]).plus(
            s.filtered, -point.lead / self.count_mm
        )
        now = length.at(t - s.start)
        half = math.floor(now) + 0.5
        hi = min(*changes, t + 1e6) - s.start
        for level in (half - 1.0, half, half + 1.0):
            roots = length.roots(t - s.start, hi, level)
            changes += [s.start + r for r in roots if s.start + r > t + 1e-13]
        return min(c for c in changes if c > t)
