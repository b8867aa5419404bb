"""The plain implementation, part 1: curves, the belt and the feed.

Written from the model page alone. Every motion is a chain of pieces; on each piece a
quantity is a polynomial in the time since the piece began, plus at most one decaying
exponential. Roots are bracketed between the roots of the derivative.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise

from scipy.optimize import brentq

from feedsim.machine import Feeder, Line

TINY_MM = 1e-9
TINY_S = 1e-10


@dataclass
class Curve:
    """c0 + c1·t + c2·t² + … + amp·exp(−rate·t)."""

    coefs: list[float]
    amp: float = 0.0
    rate: float = 0.0

    def at(self, t):
        value = 0.0
        for c in reversed(self.coefs):
            value = value * t + c
        return value + self.amp * math.exp(-self.rate * t) if self.amp else value

    def slope(self):
        """Return the derivative, itself a curve."""
        return Curve(
            [i * c for i, c in enumerate(self.coefs)][1:], -self.rate * self.amp, self.rate
        )

    def plus(self, other, factor=1.0):
        """Return self + factor·other; not both may have an exponential."""
        a, b = list(self.coefs), [factor * c for c in other.coefs]
        n = max(len(a), len(b))
        a += [0.0] * (n - len(a))
        b += [0.0] * (n - len(b))
        assert not (self.amp and other.amp)
        which = self if self.amp else other
        amp = self.amp or factor * other.amp
        return Curve([x + y for x, y in zip(a, b, strict=True)], amp, which.rate)

    def is_constant(self):
        return self.amp == 0.0 and all(c == 0.0 for c in self.coefs[1:])

    def monotone_pieces(self, lo, hi):
        """Return lo, the turning points between, hi."""
        slope = self.slope()
        polynomial_ended = not any(slope.coefs)
        return [lo, *([] if polynomial_ended else slope.roots(lo, hi)), hi]

    def roots(self, lo, hi, level=0.0):
        """Return the times in the open interval at which the curve crosses a level."""
        if self.is_constant():
            return []
        found = []
        cuts = self.monotone_pieces(lo, hi)
        for a, b in pairwise(cuts):
            if (self.at(a) - level) * (self.at(b) - level) < 0.0:
                found.append(self.root_between(a, b, level))
        return found

    def root_between(self, a, b, level):
        """Return the root on a monotone piece with different signs at its ends."""
        root = brentq(lambda t: self.at(t) - level, a, b, xtol=1e-15, rtol=1e-15)
        slope = self.slope()
        for _ in range(2):
            steep = slope.at(root)
            if steep == 0.0:
                break
            better = root - (self.at(root) - level) / steep
            if not a <= better <= b:
                break
            root = better
        return root

    def first_at_least(self, level, lo, hi):
        """Return the first time in [lo, hi] with a value not below the level, or None."""
        if self.at(lo) >= level:
            return lo
        cuts = self.monotone_pieces(lo, hi)
        for a, b in pairwise(cuts):
            end = self.at(b)
            if end == level:
                return b
            if end > level:
                return self.root_between(a, b, level)
        return None


@dataclass
class Stretch:
    """A piece of belt travel: speed v + a·t from travel m, at times start…end."""

    start: float
    end: float
    m: float
    v: float
    a: float
    filtered: Curve | None = None

    @property
    def end_speed(self):
        return self.v if self.a == 0.0 else self.v + self.a * (self.end - self.start)


class Belt:
    """Belt travel m(t), its first-time inverse, and the filtered controller speed y(t)."""

    def __init__(self, line: Line, scale_error: float, *, filter_s: float, rest_until_s=None):
        self.scale = 1.0 + scale_error
        self.stretches: list[Stretch] = []
        parts = []  # (start, end, speed, acceleration)
        begin = 0.0
        if rest_until_s is not None:
            begin = rest_until_s
            if begin > 0.0:
                parts.append((0.0, begin, 0.0, 0.0))
        parts += _run_parts(line, begin, from_rest=rest_until_s is not None)
        if parts[-1][2] <= 0.0:
            raise ValueError("a belt that ends at rest never ends the run")
        travelled = [0.0]
        for start, end, v, a in parts:
            self.stretches.append(Stretch(start, end, math.fsum(travelled), v, a))
            if end < math.inf:
                h = end - start
                travelled.append(v * h + a * h * h / 2.0)
        self._starts = [s.start for s in self.stretches]
        self._filter(filter_s, 0.0 if rest_until_s is not None else self.stretches[0].v)

    def _filter(self, filter_s, first_speed):
        y = first_speed / self.scale
        for s in self.stretches:
            v, a = s.v / self.scale, s.a / self.scale
            if filter_s == 0.0:
                s.filtered = Curve([v, a])
                continue
            # y' = (v + a·t − y)/T: y = v + a·(t − T) + (y0 − v + a·T)·exp(−t/T)
            s.filtered = Curve([v - a * filter_s, a], y - v + a * filter_s, 1.0 / filter_s)
            if s.end < math.inf:
                y = s.filtered.at(s.end - s.start)

    def stretch(self, t):
        return self.stretches[max(bisect_right(self._starts, t) - 1, 0)]

    def after(self, t):
        """Return the stretches from time t on."""
        return self.stretches[max(bisect_right(self._starts, t) - 1, 0) :]

    def travel(self, t):
        s = self.stretch(t)
        h = t - s.start
        return s.m + h * (s.v + s.a * h / 2.0)

    def speed(self, t):
        s = self.stretch(t)
        return s.v + s.a * (t - s.start)

    def controller_speed(self, t):
        """Return y(t), the filtered controller speed."""
        s = self.stretch(t)
        return s.filtered.at(t - s.start)

    def time_at(self, m):
        """Return the first time at which the belt has travelled m (0 if not ahead)."""
        if m <= 0.0:
            return 0.0
        for i, s in enumerate(self.stretches):
            end_m = math.inf if s.end == math.inf else self.stretches[i + 1].m
            if m > end_m:
                nxt = self.stretches[i + 1]
                stands = nxt.v == 0.0 and nxt.a == 0.0
                if stands and m <= end_m + TINY_MM and end_m > s.m:
                    return s.end
                continue
            ahead = m - s.m
            if ahead <= 0.0:
                return s.start
            h = 2.0 * ahead / (s.v + math.sqrt(max(s.v * s.v + 2.0 * s.a * ahead, 0.0)))
            return min(s.start + h, s.end)
        raise AssertionError("the last stretch has no end")


def _run_parts(line: Line, begin, *, from_rest):
    if not line.profile:
        if not from_rest:
            return [(begin, math.inf, line.speed_mm_s, 0.0)]
        top = begin + line.speed_mm_s / line.acceleration_mm_s2
        return [
            (begin, top, 0.0, line.acceleration_mm_s2),
            (top, math.inf, line.speed_mm_s, 0.0),
        ]
    points = [(begin + t, v) for t, v in line.profile]
    parts = []
    if points[0][0] > begin:
        parts.append((begin, points[0][0], points[0][1], 0.0))
    for (t0, v0), (t1, v1) in pairwise(points):
        parts.append((t0, t1, v0, (v1 - v0) / (t1 - t0)))
    parts.append((points[-1][0], math.inf, points[-1][1], 0.0))
    return parts


@dataclass
class FeedPiece:
    """Command and true feed travel from ``start`` on, until the next piece's start."""

    start: float
    end: float
    command: Curve
    feed: Curve
    lag: Curve


class Feed:
    """Feed command p(t) and feed travel f(t), extended as the clutch is acted.

    The lag d = p − f obeys d' = −K·d + (1 − k)·p'. With p' a polynomial, d is the
    polynomial (1−k)·Σ (−1)^j p'^(j)/K^(j+1) plus a multiple of exp(−K·t).
    """

    def __init__(self, feeder: Feeder):
        self.belt: Belt | None = None
        self.ratio = feeder.settings.speed_ratio
        self.clutch = feeder.clutch
        self.gain = feeder.servo.loop_gain_per_s
        self.forward = feeder.servo.velocity_feedforward
        self.pieces: list[FeedPiece] = []
        self._steps: list[float] = []  # command travel of each finished piece
        self._rise_start = 0.0
        self._add(0.0, math.inf, [0.0])

    # --- queries -----------------------------------------------------------------

    def _piece(self, t):
        return self.pieces[max(bisect_right(self.pieces, t, key=lambda p: p.start) - 1, 0)]

    def command(self, t):
        piece = self._piece(t)
        return piece.command.at(t - piece.start)

    def travel(self, t):
        piece = self._piece(t)
        return piece.feed.at(t - piece.start)

    def speed(self, t):
        piece = self._piece(t)
        return piece.feed.slope().at(t - piece.start)

    def time_at(self, f):
        """Return the first time at which the feed reaches f (0 if not ahead, inf: never)."""
        first = bisect_left(self.pieces, f, key=lambda p: p.feed.at(0.0))
        if first == 0:
            return 0.0
        piece = self.pieces[first - 1]
        reach = piece.end - piece.start
        if reach == math.inf:
            reach = self._horizon(piece, f)
            if reach is None:
                return math.inf
        if piece.feed.at(reach) < f:  # by rounding, the next piece begins at f
            return piece.end
        return min(piece.start + piece.feed.root_between(0.0, reach, f), piece.end)

    @staticmethod
    def _horizon(piece, f):
        h = 1.0
        while piece.feed.at(h) < f:
            if h > 1e9:
                return None
            h *= 2.0
        return h

    # --- commands ----------------------------------------------------------------

    def jog(self, speed):
        """Run at a given speed from time 0."""
        self._cut(0.0)
        self._add(0.0, math.inf, [speed])

    def stop(self, t):
        """End the command at time t, by a step of speed."""
        self._cut(t)
        self._add(t, math.inf, [0.0])

    def close(self, t):
        """Start a ramp-in at time t (the command delay is past)."""
        self._cut(t)
        self._rise_start = t
        end = self._ramp_end(t, self.clutch.ramp_in, 1.0)
        self._ramp(t, end, 0.0, 1.0, self.clutch.ramp_in)
        self._ramp(end, math.inf, 1.0, 0.0, 0.0)

    def open(self, t):
        """Start a ramp-out at time t and return its end."""
        r = self._engagement(t)
        self._cut(t)
        end = self._ramp_end(t, self.clutch.ramp_out, r)
        self._ramp(t, end, r, -1.0, self.clutch.ramp_out)
        self._add(end, math.inf, [0.0])
        return end

    def _engagement(self, t):
        full = self.clutch.ramp_in
        if full == 0.0:
            return 1.0
        if not self.clutch.travel_ramp:
            return min((t - self._rise_start) / full, 1.0)
        start = self._rise_start
        gone = (self.belt.travel(t) - self.belt.travel(start)) / self.belt.scale
        return min(gone / full, 1.0)

    def _ramp_end(self, t, full, share):
        if full * share == 0.0:
            return t
        if not self.clutch.travel_ramp:
            return t + full * share
        return self.belt.time_at(self.belt.travel(t) + full * share * self.belt.scale)

    def _ramp(self, start, end, r, sign, full):
        """Add pieces with engagement r at ``start``, going up (+1), down (−1) or not (0)."""
        for s in self.belt.after(start):
            t0, t1 = max(start, s.start), min(end, s.end)
            if t1 <= t0:
                continue
            speed = [(s.v + s.a * (t0 - s.start)) / self.belt.scale, s.a / self.belt.scale]
            if sign == 0.0 or full == 0.0:
                share = [r]
            elif self.clutch.travel_ramp:
                share = [r, sign * speed[0] / full, sign * speed[1] / 2.0 / full]
            else:
                share = [r, sign / full]
            self._add(t0, t1, [self.ratio * x for x in _product(speed, share)])
            if t1 < math.inf:
                r = Curve(share).at(t1 - t0)

    def _cut(self, t):
        """Forget everything from time t on."""
        while self.pieces and self.pieces[-1].start >= t:
            self.pieces.pop()
        del self._steps[max(len(self.pieces) - 1, 0) :]

    def _add(self, start, end, speed):
        """Go on from ``start`` with the command speed a polynomial in t − start."""
        lag = 0.0
        if self.pieces:
            last = self.pieces[-1]
            last.end = start
            self._steps.append(Curve([0.0, *last.command.coefs[1:]]).at(start - last.start))
            lag = last.lag.at(start - last.start)
        p0 = math.fsum(self._steps)
        command = Curve([p0, *(c / (i + 1) for i, c in enumerate(speed))])
        lag_curve = self._lag_curve(speed, lag)
        self.pieces.append(FeedPiece(start, end, command, command.plus(lag_curve, -1.0), lag_curve))

    def _lag_curve(self, speed, lag):
        if self.gain == math.inf:
            return Curve([0.0])
        total = Curve([0.0] * len(speed))
        term, factor = Curve(speed), (1.0 - self.forward) / self.gain
        while any(term.coefs):
            total = total.plus(term, factor)
            term, factor = term.slope(), -factor / self.gain
        return Curve(total.coefs, lag - total.coefs[0], self.gain)


def _product(a, b):
    out = [0.0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            out[i + j] += x * y
    return out
