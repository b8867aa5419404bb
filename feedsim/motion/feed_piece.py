"""One piece of the feed's motion: command polynomial, following lag, both in closed form.

On a piece the command rate is a polynomial p'(s) = Σ wᵢ·sⁱ of degree 3 at most. The servo
f' = K(p − f) + k·p' makes the lag e = p − f obey e' + K·e = (1−k)·p', so
e(s) = Σ eᵢ·sⁱ + C·exp(−K·s) with (i+1)·eᵢ₊₁ + K·eᵢ = (1−k)·wᵢ and C = e(0) − e₀.
Linear first-order equation, any textbook on control; for constant speed it gives the
familiar following error (1−k)·v/K.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from feedsim.motion.crossing import increasing_root

__all__ = ["ClosedForm", "FeedPiece", "Rate", "Shape"]

Rate = tuple[float, float, float, float]
"""w0…w3 of p' (mm/s, mm/s², …)."""


class ClosedForm(NamedTuple):
    """f = f0 + f1·s + … + f4·s⁴ − decay·exp(−K·s), s the time since the piece's start (s).

    ``f0_mm``, ``decay_mm``: mm. ``rise``: f1…f4 (mm/s, mm/s², …). K is the servo's loop gain.
    """

    f0_mm: float
    rise: Rate
    decay_mm: float


_NEGLIGIBLE_MM = 1e-13


class Shape:
    """What all pieces of one command rate have in common: everything but where they start.

    Parameters
    ----------
    rate : Rate
    gain, feedforward : float
        K (1/s, may be ``inf``) and k.

    Attributes
    ----------
    p, f : tuple of four floats
        Coefficients of s…s⁴ of the command, and of the feed without its decaying part.
    e : tuple of four floats
        e₀…e₃ of the lag.
    steady : bool
        The command rate is constant.
    """

    __slots__ = ("e", "f", "gain", "p", "steady")

    def __init__(self, rate: Rate, *, gain: float, feedforward: float) -> None:
        w0, w1, w2, w3 = rate
        self.gain = gain
        self.steady = w1 == w2 == w3 == 0.0
        self.p = (w0, w1 / 2.0, w2 / 3.0, w3 / 4.0)
        if gain == math.inf:
            self.e, self.f = (0.0, 0.0, 0.0, 0.0), self.p
            return
        share = 1.0 - feedforward
        e3 = share * w3 / gain
        e2 = (share * w2 - 3.0 * e3) / gain
        e1 = (share * w1 - 2.0 * e2) / gain
        e0 = (share * w0 - e1) / gain
        self.e = (e0, e1, e2, e3)
        self.f = (self.p[0] - e1, self.p[1] - e2, self.p[2] - e3, self.p[3])


class FeedPiece:
    """Feed motion from ``start_s`` on, until the next piece starts.

    Parameters
    ----------
    start_s : float
    command_mm, lag_mm : float
        p and e = p − f at the start.
    shape : Shape
    end_s : float
        Where the next piece takes over at the latest; ``inf`` for a piece that may hold.
    engagement, slope, in_travel
        r at the start, how it changes, and whether with counted travel or time; kept here
        for whoever made the piece.

    Attributes
    ----------
    start_mm : float
        f at the start.
    """

    __slots__ = (
        "_decay",
        "_f0",
        "_shape",
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
        shape: Shape,
        end_s: float,
        engagement: float,
        slope: float,
        in_travel: bool,
    ) -> None:
        self.start_s = start_s
        self.end_s = end_s
        self.command_mm = command_mm
        self.start_mm = command_mm - lag_mm
        self._shape = shape
        e0 = shape.e[0]
        self._decay = lag_mm - e0  # C
        self._f0 = command_mm - e0
        self.engagement = engagement
        self.slope = slope
        self.in_travel = in_travel

    @property
    def resting(self) -> bool:
        """Whether the command stands still with the clutch open."""
        return self.engagement == self.slope == self._shape.p[0] == 0.0 and self._shape.steady

    @property
    def closed_form(self) -> ClosedForm:
        """The numbers that :meth:`position` is worked out from, for whoever does so elsewhere."""
        return ClosedForm(self._f0, self._shape.f, self._decay)

    def command(self, t: float) -> float:
        """Return p (mm) at time ``t`` (s)."""
        s = t - self.start_s
        p1, p2, p3, p4 = self._shape.p
        return self.command_mm + (p1 + (p2 + (p3 + p4 * s) * s) * s) * s

    def state(self, t: float) -> tuple[float, float]:
        """Return p and e = p − f (mm) at time ``t`` (s), e without cancellation."""
        s = t - self.start_s
        shape, c = self._shape, self._decay
        p1, p2, p3, p4 = shape.p
        e0, e1, e2, e3 = shape.e
        lag = e0 + (e1 + (e2 + e3 * s) * s) * s
        if c:
            lag += c * math.exp(-shape.gain * s)
        return self.command_mm + (p1 + (p2 + (p3 + p4 * s) * s) * s) * s, lag

    def position(self, t: float) -> float:
        """Return f (mm) at time ``t`` (s)."""
        s = t - self.start_s
        shape, c = self._shape, self._decay
        f1, f2, f3, f4 = shape.f
        f = self._f0 + (f1 + (f2 + (f3 + f4 * s) * s) * s) * s
        return f - c * math.exp(-shape.gain * s) if c else f

    def speed(self, t: float) -> float:
        """Return f' (mm/s) at time ``t`` (s)."""
        return self._value(t - self.start_s)[1]

    def _value(self, s: float) -> tuple[float, float]:
        shape, c = self._shape, self._decay
        f1, f2, f3, f4 = shape.f
        f = self._f0 + (f1 + (f2 + (f3 + f4 * s) * s) * s) * s
        slope = f1 + (2.0 * f2 + (3.0 * f3 + 4.0 * f4 * s) * s) * s
        if not c:
            return f, slope
        e = c * math.exp(-shape.gain * s)
        return f - e, slope + shape.gain * e

    def time_at(self, target: float) -> float:
        """Return when f reaches ``target`` (mm) on this piece, or ``inf``.

        The caller has made sure that f does not start beyond it. f never falls, since the
        command does not.
        """
        if self._shape.steady:
            if self._shape.p[0] > 0.0:
                return self._within(self._steady_root(target))
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
        speed, c, gain = self._shape.p[0], self._decay, self._shape.gain
        far = target - self._f0
        s = far / speed
        if not c:
            return s
        for _ in range(100):
            e = c * math.exp(-gain * s)
            if -_NEGLIGIBLE_MM < e < _NEGLIGIBLE_MM:
                return far / speed
            step = (speed * s - e - far) / (speed + gain * e)
            s -= step
            if -1e-9 < step < 1e-9:
                break
        return s

    def _guess(self, target: float) -> float:
        """Start Newton where the motion without its decaying part would be."""
        f1, f2, _, _ = self._shape.f
        far = target - self._f0
        if f2 == 0.0:
            return far / f1 if f1 > 0.0 else -1.0
        square = f1 * f1 + 4.0 * f2 * far
        if square < 0.0:
            return -1.0
        divisor = f1 + math.sqrt(square)
        return 2.0 * far / divisor if divisor > 0.0 else -1.0

    def _coming_to_rest(self, target: float) -> float:
        c = self._decay
        if not c or target >= self._f0:
            return math.inf
        share = (self._f0 - target) / c
        return self._within(-math.log(share) / self._shape.gain if share < 1.0 else 0.0)

    def _within(self, s: float) -> float:
        t = self.start_s + max(s, 0.0)
        return t if t <= self.end_s else math.inf
