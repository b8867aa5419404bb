"""One piece of the feed's motion: command polynomial, following lag, both in closed form.

On a piece the command rate is a polynomial p'(s) = Σ wᵢ·sⁱ of degree 3 at most. The servo
f' = K(p − f) + k·p' makes the lag e = p − f obey e' + K·e = (1−k)·p', so
e(s) = Σ eᵢ·sⁱ + C·exp(−K·s) with (i+1)·eᵢ₊₁ + K·eᵢ = (1−k)·wᵢ and C = e(0) − e₀.
Linear first-order equation, any textbook on control; for constant speed it gives the
familiar following error (1−k)·v/K.
"""

from __future__ import annotations

import math

from feedsim.motion.crossing import increasing_root

__all__ = ["FeedPiece"]

_NEGLIGIBLE_MM = 1e-13
_NO_LAG = (0.0, 0.0, 0.0, 0.0)


class FeedPiece:
    """Feed motion from ``start_s`` on, until the next piece starts.

    Parameters
    ----------
    start_s : float
    command_mm, lag_mm : float
        p and e = p − f at the start.
    rate : tuple of four floats
        w0…w3 of p' (mm/s, mm/s², …).
    end_s : float
        Where the next piece takes over at the latest; ``inf`` for a piece that may hold.
    gain, feedforward : float
        K (1/s, may be ``inf``) and k.

    Attributes
    ----------
    engagement, slope, in_travel
        r at the start, how it changes, and whether with counted travel or time; kept here
        for whoever made the piece.
    """

    __slots__ = (
        "_c",
        "_e",
        "_f",
        "_gain",
        "_p",
        "command_mm",
        "end_s",
        "engagement",
        "in_travel",
        "slope",
        "start_mm",
        "start_s",
    )

    def __init__(
        self,
        start_s: float,
        command_mm: float,
        lag_mm: float,
        rate: tuple[float, float, float, float],
        end_s: float,
        gain: float,
        feedforward: float,
    ) -> None:
        w0, w1, w2, w3 = rate
        self.engagement = self.slope = 0.0
        self.in_travel = False
        self.start_s = start_s
        self.end_s = end_s
        self.command_mm = command_mm
        self.start_mm = command_mm - lag_mm
        self._gain = gain
        if w2 or w3:
            self._p = p = (command_mm, w0, w1 / 2.0, w2 / 3.0, w3 / 4.0)
        else:
            self._p = p = (command_mm, w0, w1 / 2.0, 0.0, 0.0)
        if gain == math.inf:
            self._c, self._e, self._f = 0.0, _NO_LAG, p
            return
        if not (w0 or w1 or w2 or w3):
            self._c, self._e, self._f = lag_mm, _NO_LAG, p
            return
        share = 1.0 - feedforward
        e3 = e2 = 0.0
        if w2 or w3:
            e3 = share * w3 / gain
            e2 = (share * w2 - 3.0 * e3) / gain
        e1 = (share * w1 - 2.0 * e2) / gain
        e0 = (share * w0 - e1) / gain
        self._c = lag_mm - e0
        self._e = (e0, e1, e2, e3)
        self._f = (command_mm - e0, w0 - e1, p[2] - e2, p[3] - e3, p[4])

    @property
    def resting(self) -> bool:
        """Whether the command stands still with the clutch open."""
        _, w0, w1, _, _ = self._p
        return self.engagement == self.slope == w0 == w1 == 0.0

    def command(self, t: float) -> float:
        """Return p (mm) at time ``t`` (s)."""
        s = t - self.start_s
        p0, p1, p2, p3, p4 = self._p
        return p0 + (p1 + (p2 + (p3 + p4 * s) * s) * s) * s

    def position(self, t: float) -> float:
        """Return f (mm) at time ``t`` (s)."""
        s = t - self.start_s
        f0, f1, f2, f3, f4 = self._f
        f = f0 + (f1 + (f2 + (f3 + f4 * s) * s) * s) * s
        return f - self._c * math.exp(-self._gain * s) if self._c else f

    def state(self, t: float) -> tuple[float, float]:
        """Return p and e = p − f (mm) at time ``t`` (s), e without cancellation."""
        s = t - self.start_s
        p0, p1, p2, p3, p4 = self._p
        command = p0 + (p1 + (p2 + (p3 + p4 * s) * s) * s) * s
        if self._gain == math.inf:
            return command, 0.0
        e0, e1, e2, e3 = self._e
        lag = e0 + (e1 + (e2 + e3 * s) * s) * s
        return command, lag + self._c * math.exp(-self._gain * s) if self._c else lag

    def speed(self, t: float) -> float:
        """Return f' (mm/s) at time ``t`` (s)."""
        return self._value(t - self.start_s)[1]

    def _value(self, s: float) -> tuple[float, float]:
        f0, f1, f2, f3, f4 = self._f
        f = f0 + (f1 + (f2 + (f3 + f4 * s) * s) * s) * s
        slope = f1 + (2.0 * f2 + (3.0 * f3 + 4.0 * f4 * s) * s) * s
        if not self._c:
            return f, slope
        e = self._c * math.exp(-self._gain * s)
        return f - e, slope + self._gain * e

    def time_at(self, target: float) -> float:
        """Return when f reaches ``target`` (mm) on this piece, or ``inf``.

        The caller has made sure that f does not start beyond it. f never falls, since the
        command does not.
        """
        _, f1, f2, f3, f4 = self._f
        if f2 == f3 == f4 == 0.0:
            if f1 > 0.0:
                return self._within(self._steady_root(target))
            if f1 == 0.0:
                return self._coming_to_rest(target)
        high = self.end_s - self.start_s
        if high == math.inf:
            high = 1.0
            while self._value(high)[0] < target:
                high *= 2.0
                if high > 1e9:
                    return math.inf
        elif self._value(high)[0] < target:
            return math.inf

        def value(s: float) -> tuple[float, float]:
            f, slope = self._value(s)
            return f - target, slope

        guess = self._guess(target)
        return self.start_s + increasing_root(value, 0.0, high=high, start=guess)

    def _steady_root(self, target: float) -> float:
        """Solve f0 + f1·s − C·exp(−K·s) = target, f1 above 0.

        The curve bends one way only and rises, so Newton's method cannot miss.
        """
        f0, f1, _, _, _ = self._f
        c, gain = self._c, self._gain
        s = (target - f0) / f1
        if not c:
            return s
        for _ in range(100):
            e = c * math.exp(-gain * s)
            if -_NEGLIGIBLE_MM < e < _NEGLIGIBLE_MM:
                return (target - f0) / f1
            step = (f0 + f1 * s - e - target) / (f1 + gain * e)
            s -= step
            if -1e-9 < step < 1e-9:
                break
        return s

    def _guess(self, target: float) -> float:
        """Start Newton where the motion without its decaying part would be."""
        f0, f1, f2, _, _ = self._f
        far = target - f0
        if f2 == 0.0:
            return far / f1 if f1 > 0.0 else -1.0
        square = f1 * f1 + 4.0 * f2 * far
        if square < 0.0:
            return -1.0
        divisor = f1 + math.sqrt(square)
        return 2.0 * far / divisor if divisor > 0.0 else -1.0

    def _coming_to_rest(self, target: float) -> float:
        if not self._c or target >= self._f[0]:
            return math.inf
        share = (self._f[0] - target) / self._c
        return self._within(-math.log(share) / self._gain if share < 1.0 else 0.0)

    def _within(self, s: float) -> float:
        t = self.start_s + max(s, 0.0)
        return t if t <= self.end_s else math.inf
