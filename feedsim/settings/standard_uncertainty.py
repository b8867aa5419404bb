"""Standard deviation of a quantity of which only the limits are known."""

from __future__ import annotations

import math

__all__ = ["rectangular_sd"]


def rectangular_sd(half_width: float) -> float:
    """Return a/√3: any value within ±a is as likely (a jitter, half a tick, half a count).

    JCGM 100:2008 (GUM), 4.3.7.
    """
    return half_width / math.sqrt(3.0)
