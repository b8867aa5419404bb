"""The nominal lag, means and standard deviations behind the settings."""

from __future__ import annotations

import math
from functools import lru_cache

from feedsim.machine import Inserts, Servo
from feedsim.motion.feed_piece import steady_lag
from feedsim.probability.distribution_parts import Clipped


def following_time(servo: Servo) -> float:
    """Return τ = (1−k)/K, the lag of the feed behind its command at steady speed (s).

    That of 1 mm/s, by :func:`feedsim.motion.feed_piece.steady_lag`.
    """
    return steady_lag(1.0, servo.loop_gain_per_s, servo.velocity_feedforward)


def clipped_slip_mean(inserts: Inserts) -> float:
    """Return the mean of an insert's slip, normal(m, s) clipped at 0 (mm).

    Source: :attr:`feedsim.probability.distribution_parts.Clipped.mean`.

    Examples
    --------
    >>> from feedsim.machine import Inserts
    >>> round(clipped_slip_mean(Inserts(85.0, 70.0, slip_mm=0.0, slip_sd_mm=1.0)), 7)
    0.3989423
    """
    return _clipped(inserts.slip_mm, inserts.slip_sd_mm)[0]


def clipped_slip_sd(inserts: Inserts) -> float:
    """Return the standard deviation of that slip (mm)."""
    return _clipped(inserts.slip_mm, inserts.slip_sd_mm)[1]


@lru_cache(maxsize=64)
def _clipped(m: float, s: float) -> tuple[float, float]:
    if s > 0.0:
        clipped = Clipped(m, s)
        return clipped.mean, math.sqrt(clipped.variance)
    return max(m, 0.0), 0.0


def rectangular_sd(half_width: float) -> float:
    """Return a/√3, the sd of a uniform law on ±a (JCGM 100:2008, GUM, 4.3.7)."""
    return half_width / math.sqrt(3.0)
