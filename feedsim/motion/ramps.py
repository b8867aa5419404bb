"""A clutch's ramps at steady belt speed and the lag of the feed behind them, at many times at once.

A command with straight ramps bends at a few instants: p' = Σ sⱼ·(t − bⱼ)₊. The servo is linear, so
the lag of the feed is the sum of the lags behind each bend (superposition; any text on linear
systems). K is the loop gain and k the feedforward of feedsim/MODEL.md, section 6.
"""

from __future__ import annotations

import math
from typing import overload

import numpy as np

from feedsim.arrays import Bools, Floats, Value
from feedsim.motion.feed_piece import Shape, steady_lag

_SHORT_S = 1e-5  # a step is a ramp as short as this
_NO_RAMP = 1e-300


def ramp_demand(counted_mm_s: Value, length: float, *, ratio: float, travel_ramp: bool) -> Value:
    """Return the acceleration (mm/s²) that a ramp demands of the drive, shape of speeds.

    g·v_c/T, or g·v_c²/A for a ramp in travel (feedsim/MODEL.md, section 6); a step at a speed above
    0 demands infinity. ``length``: T (s) or A (mm).
    """
    wanted = ratio * (counted_mm_s * counted_mm_s if travel_ramp else counted_mm_s)
    if length > 0.0:
        return wanted / length
    if isinstance(wanted, np.ndarray):
        return np.where(wanted > 0.0, np.inf, wanted)
    return math.inf if wanted > 0.0 else wanted


def ramp_bends(ramp_in_s: float, ramp_out_s: float, speed_mm_s: float) -> tuple[Floats, Floats]:
    """Return where a cycle's command bends and by how much (mm/s²), shape (4,) each.

    The first two times are since the ramp-in began, the last two since the ramp-out did (s).
    """
    i, o = max(ramp_in_s, _SHORT_S), max(ramp_out_s, _SHORT_S)
    v = speed_mm_s
    return np.array([0.0, i, 0.0, o]), np.array([v / i, -v / i, -v / o, v / o])


def bend_lag(since_s: Floats, *, gain: float, feedforward: float, rate: bool = False) -> Floats:
    """Return the lag of the feed behind a command that began to rise by 1 mm/s², shape of times.

    The piece of :mod:`feedsim.motion.feed_piece` with p' = s from rest: e0 + e1·s − e0·exp(−K·s),
    the equation of MODEL.md, section 6.

    Parameters
    ----------
    since_s : float64 array
        Times since then, none below 0.
    gain : float
        K (1/s), finite.
    rate : bool
        Return the lag of the speed (mm/s) instead of the travel (mm).
    """
    shape = Shape((0.0, 1.0, 0.0, 0.0), gain=gain, feedforward=feedforward)
    over = -np.expm1(-gain * since_s)
    lag: Floats = shape.e1 * over if rate else shape.e1 * since_s + shape.e0 * over
    return lag


@overload
def lag_missing(since_s: float, ramp_s: float, gain: float) -> float: ...
@overload
def lag_missing(since_s: Floats, ramp_s: float | Floats, gain: float) -> Floats: ...
def lag_missing(since_s: float | Floats, ramp_s: float | Floats, gain: float) -> float | Floats:
    """Return what share of its full lag a feed still lacks behind a ramp from rest, by shape.

    That is q·e^(−K·t), q = (1 − e^(−K·T))/(K·T), of a ramp of T, ``ramp_s``, that ended t,
    ``since_s``, ago: 1 less the :func:`bend_lag` of its two bends over T and the full lag's
    (1 − k)/K. ``gain``: K (1/s), finite.
    """
    many = isinstance(since_s, np.ndarray)
    exp, expm1, larger = (np.exp, np.expm1, np.maximum) if many else (math.exp, math.expm1, max)
    x = larger(gain * ramp_s, _NO_RAMP)
    return exp(-gain * since_s) * (-expm1(-x) / x)


def ramp_command(since_s: Floats, ramp_s: float | Floats) -> Floats:
    """Return the travel (mm) of a command that rises from rest to 1 mm/s, shape of times.

    t²/(2·T), and t − T/2 from the end of the ramp on. Parameters as in :func:`ramp_motion`.
    """
    return _travel(*_since(since_s, ramp_s))


def ramp_motion(
    since_s: Floats, ramp_s: float | Floats, *, gain: float, feedforward: float
) -> tuple[Floats, Floats]:
    """Return travel (mm) and speed (mm/s) of a feed that is to rise from rest to 1 mm/s.

    The travel is the command's less the lag e, the speed k·p' + K·e; both in the shape of times.

    Parameters
    ----------
    since_s : float64 array
        Times since the ramp began; it rests before.
    ramp_s : float or float64 array
        T, from 0 on; shapes broadcast.
    gain, feedforward : float
        K (1/s), finite, and k.
    """
    t, ramp, ramps = _since(since_s, ramp_s)
    full = steady_lag(1.0, gain, feedforward)
    lag = np.where(
        ramps,
        bend_lag(t, gain=gain, feedforward=feedforward) / ramp,
        full - full * lag_missing(np.maximum(t - ramp, 0.0), ramp, gain),
    )
    return _travel(t, ramp, ramps) - lag, feedforward * np.minimum(t / ramp, 1.0) + gain * lag


def _travel(t: Floats, ramp: Floats, ramps: Bools) -> Floats:
    found: Floats = np.where(ramps, 0.5 * t * t / ramp, t - 0.5 * ramp)
    return found


def _since(since_s: Floats, ramp_s: float | Floats) -> tuple[Floats, Floats, Bools]:
    """Return times from 0 on, ramps above 0, and where the ramp lasts."""
    t, ramp = np.maximum(since_s, 0.0), np.maximum(ramp_s, _NO_RAMP)
    return t, ramp, t < ramp
