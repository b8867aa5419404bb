"""The nominal lag, means and standard deviations behind the settings."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Clutch, Inserts, Servo
from feedsim.motion.feed_piece import steady_lag
from feedsim.probability.distribution_parts import Clipped


def following_time(servo: Servo) -> float:
    """Return τ = (1−k)/K, the lag of the feed behind its command at steady speed (s).

    That of 1 mm/s, by :func:`feedsim.motion.feed_piece.steady_lag`.
    """
    return steady_lag(1.0, servo.loop_gain_per_s, servo.velocity_feedforward)


def engaged_time(clutch: Clutch, feed_mm: float, *, ratio: float, counted_mm_s: float) -> float:
    """Return the time (s) from closing to opening that feeds a travel from rest to rest.

    w·(t − T_in/2 + T_out/2) at a steady feed speed w = g·v_c, where the ramp-in ends first
    (feedsim/MODEL.md, section 13, fact 6).
    """
    ramp_in, ramp_out = clutch.ramps_s(counted_mm_s)
    return feed_mm / (ratio * counted_mm_s) + 0.5 * (ramp_in - ramp_out)


def ready_time(clutch: Clutch, servo: Servo, engaged_s: float, *, counted_mm_s: float) -> float:
    """Return when a feeder is ready (s from the closing), opened after a time.

    Ramp-out, settling and the command delay by which the ramp-out ends later follow
    (feedsim/MODEL.md, section 13, fact 6).
    """
    _, ramp_out = clutch.ramps_s(counted_mm_s)
    return engaged_s + ramp_out + clutch.settle_s + servo.command_delay_s


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


def clipped_draws(sds: Floats, least: float, *, mean: float, sd: float) -> Floats:
    """Return normal values clipped at the least, shape of ``sds``.

    max(least, m + s·z) (by definition); ``sds``: z, standard deviations from the mean.
    """
    found: Floats = np.maximum(least, mean + sd * sds)
    return found


def rectangular_sd(half_width: float) -> float:
    """Return a/√3, the sd of a uniform law on ±a (JCGM 100:2008, GUM, 4.3.7)."""
    return half_width / math.sqrt(3.0)
