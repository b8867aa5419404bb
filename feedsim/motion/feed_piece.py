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

from feedsim.motion.belt import time_to_travel
from feedsim.motion.crossing import Curve, cubic, curve_at, increasing_root

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


def steady_lag(speed_mm_s: float, gain: float, feedforward: float) -> float:
    """Return how far a feed at a steady speed is behind its command (mm): (1 − k)·w/K.

    The following error of a type-1 position loop with velocity feedforward (any control textbook);
    0 with K infinite.
    """
    return (1.0 - feedforward) * speed_mm_s / gain


def shape_rate(shape: Shape, rate: Rate, *, gain: float, feedforward: float) -> None:
    """Work out a shape from p' (see :class:`Shape`)."""
    w0, w1, w2, w3 = rate
    shape.gain = gain
    shape.steady = w1 == w2 == w3 == 0.0
    if shape.steady:
        shape.p1, shape.f1, shape.e0 = w0, w0, steady_lag(w0, gain, feedforward)
        shape.p2 = shape.p3 = shape.p4 = shape.f2 = shape.f3 = shape.f4 = 0.0
        shape.e1 = shape.e2 = shape.e3 = 0.0
        return
    shape.p1, shape.p2, shape.p3, shape.p4 = w0, w1 / 2.0, w2 / 3.0, w3 / 4.0
    share = 1.0 - feedforward if gain < math.inf else 0.0  # a rigid axis has no lag
    shape.e3 = share * w3 / gain
    shape.e2 = (share * w2 - 3.0 * shape.e3) / gain
    shape.e1 = (share * w1 - 2.0 * shape.e2) / gain
    shape.e0 = (share * w0 - shape.e1) / gain
    shape.f1, shape.f2 = shape.p1 - shape.e1, shape.p2 - shape.e2
    shape.f3, shape.f4 = shape.p3 - shape.e3, shape.p4


class Shape:
    """The common part of all pieces of one command rate: everything but their start.

    Parameters
    ----------
    gain, feedforward : float
        K (1/s, may be ``inf``) and k.

    Attributes
    ----------
    p1…p4, f1…f4 : float
        Coefficients of s…s⁴ of the command, and of the feed without its decaying part.
    e0…e3 : float
        Of the lag.
    steady : bool
        The command rate is constant: all but p1, f1 and e0 are 0.
    """

    __slots__ = (
        *("p1", "p2", "p3", "p4", "e0", "e1", "e2", "e3", "f1", "f2", "f3", "f4"),
        *("gain", "steady"),
    )

    p1: float
    p2: float
    p3: float
    p4: float
    e0: float
    e1: float
    e2: float
    e3: float
    f1: float
    f2: float
    f3: float
    f4: float
    gain: float
    steady: bool

    __init__ = shape_rate


def piece_rests(piece: FeedPiece) -> bool:
    """Return whether the command stands still with the clutch open."""
    shape = piece.shape
    return piece.engagement == piece.slope == shape.p1 == 0.0 and shape.steady


def piece_command(piece: FeedPiece, t: float) -> float:
    """Return p (mm) at time ``t`` (s)."""
    return piece_state(piece, t)[0]


def piece_state(piece: FeedPiece, t: float) -> tuple[float, float]:
    """Return p and e = p − f (mm) at time ``t`` (s), e without cancellation."""
    s, shape, c = t - piece.start_s, piece.shape, piece.decay_mm
    rise, lag = shape.p1, shape.e0
    if not shape.steady:
        rise = cubic(shape.p1, shape.p2, shape.p3, shape.p4, s)
        lag = cubic(shape.e0, shape.e1, shape.e2, shape.e3, s)
    if c != 0.0:
        lag += c * math.exp(-shape.gain * s)
    return piece.command_mm + rise * s, lag


def piece_position(piece: FeedPiece, t: float) -> float:
    """Return f (mm) at time ``t`` (s)."""
    s, shape, c = t - piece.start_s, piece.shape, piece.decay_mm
    rise = shape.f1 if shape.steady else cubic(shape.f1, shape.f2, shape.f3, shape.f4, s)
    f = piece.f0_mm + rise * s
    return f - c * math.exp(-shape.gain * s) if c != 0.0 else f


def _curve(piece: FeedPiece, level: float) -> Curve:
    """Return f − level (mm) over the time since the start (s)."""
    shape = piece.shape
    f0, f1, f2, f3, f4 = piece.f0_mm, shape.f1, shape.f2, shape.f3, shape.f4
    return f0, f1, f2, f3, f4, -piece.decay_mm, shape.gain, level


def piece_speed(piece: FeedPiece, t: float) -> float:
    """Return f' (mm/s) at time ``t`` (s)."""
    return curve_at(_curve(piece, 0.0), t - piece.start_s)[1]


def piece_time_at(piece: FeedPiece, target: float) -> float:
    """Return when f reaches ``target`` (mm) on this piece, or ``inf``.

    f must not start beyond it. f never falls, since the command does not.
    """
    shape = piece.shape
    if shape.steady:
        if shape.p1 > 0.0:
            return _within(piece, _steady_root(piece, target))
        return _coming_to_rest(piece, target)
    curve, high = _curve(piece, target), piece.end_s - piece.start_s
    if high == math.inf:
        high = 1.0
        while curve_at(curve, high)[0] < 0.0:
            high *= 2.0
            if high > 1e9:
                return math.inf
    elif curve_at(curve, high)[0] < 0.0:
        return math.inf
    return piece.start_s + increasing_root(curve, 0.0, high=high, start=_guess(piece, target))


def _steady_root(piece: FeedPiece, target: float) -> float:
    """Solve f0 + f1·s − C·exp(−K·s) = target, f1 above 0.

    The curve bends one way only and rises, so Newton's method cannot miss.
    """
    speed, c, gain = piece.shape.p1, piece.decay_mm, piece.shape.gain
    far = target - piece.f0_mm
    s = far / speed
    if c == 0.0:
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


def _guess(piece: FeedPiece, target: float) -> float:
    """Start Newton where the motion without its decaying part would be, if it gets there."""
    shape = piece.shape
    return time_to_travel(target - piece.f0_mm, shape.f1, acceleration=2.0 * shape.f2)


def _coming_to_rest(piece: FeedPiece, target: float) -> float:
    c = piece.decay_mm
    if c == 0.0 or target >= piece.f0_mm:
        return math.inf
    share = (piece.f0_mm - target) / c
    return _within(piece, -math.log(share) / piece.shape.gain if share < 1.0 else 0.0)


def _within(piece: FeedPiece, s: float) -> float:
    t = piece.start_s + max(s, 0.0)
    return t if t <= piece.end_s else math.inf


class FeedPiece:
    """Feed motion from ``start_s`` on, until the next piece starts.

    Attributes
    ----------
    start_s, end_s : float
        ``end_s``: where the next piece takes over at the latest; ``inf`` for one that may hold.
    command_mm, start_mm : float
        p and f at the start.
    f0_mm, decay_mm : float
        f without its decaying part at the start, and that part C.
    engagement, slope : float
        r at the start, and how it changes.
    target, ramp, in_travel, jog_mm_s : float, float, bool, float
        What the command in force wants: r, how long a full ramp is and of what, speed of a jog.
    """

    __slots__ = (
        *("command_mm", "decay_mm", "end_s", "engagement", "f0_mm", "in_travel", "jog_mm_s"),
        *("ramp", "shape", "slope", "start_mm", "start_s", "target"),
    )

    shape: Shape
    start_s: float
    end_s: float
    command_mm: float
    start_mm: float
    f0_mm: float
    decay_mm: float
    engagement: float
    slope: float
    target: float
    ramp: float
    in_travel: bool
    jog_mm_s: float

    def __init__(self, shape: Shape) -> None:
        self.shape = shape

    command = piece_command
    state = piece_state
    position = piece_position
    speed = piece_speed
    time_at = piece_time_at

    @property
    def closed_form(self) -> ClosedForm:
        """The numbers behind :meth:`position`, for evaluating it elsewhere."""
        shape = self.shape
        rise = (shape.f1, shape.f2, shape.f3, shape.f4)
        return ClosedForm(self.f0_mm, rise, self.decay_mm)
