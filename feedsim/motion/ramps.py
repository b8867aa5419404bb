"""A clutch's ramps at steady belt speed and the lag of the feed behind them, at many times at once.

A command with straight ramps bends at a few instants: p' = Σ sⱼ·(t − bⱼ)₊. The servo is linear, so
the lag of the feed is the sum of the lags behind each bend (superposition; any text on linear
systems).
"""

from __future__ import annotations

import numpy as np

from feedsim.arrays import Floats
from feedsim.motion.feed_piece import Shape

_SHORT_S = 1e-5  # a step is a ramp as short as this


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
