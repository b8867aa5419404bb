"""Scan and motion ticks."""

from __future__ import annotations

import math

from feedsim.machine import SAME_INSTANT_S


def next_tick(t: float, phase: float, *, period: float) -> float:
    """Return the first tick at or after an instant.

    Ticks lie at phase + n·period, n any whole number; an instant on a tick belongs to it
    (feedsim/MODEL.md, section 4).

    Parameters
    ----------
    t, phase, period : float
        Seconds. A period of 0 means at once.

    Returns
    -------
    float
        Seconds, never before ``t``.

    Examples
    --------
    >>> next_tick(0.25, 0.0, period=0.5), next_tick(0.5, 0.0, period=0.5)
    (0.5, 0.5)
    >>> next_tick(0.25, 0.0, period=0.0)
    0.25
    """
    if period == 0.0 or t == math.inf:
        return t
    tick = phase + math.ceil((t - phase - SAME_INSTANT_S) / period) * period
    return tick if tick > t else t
