"""Standard deviation of a quantity of which only the limits are known.

Each function takes the half-width a of the limits (mean ± a) and returns a standard
deviation in the same unit. Source: JCGM 100:2008 (GUM), 4.3.7 and 4.3.9.
"""

from __future__ import annotations

import math

__all__ = ["arcsine_sd", "rectangular_sd", "triangular_sd"]


def rectangular_sd(half_width: float) -> float:
    """Return a/√3: any value between the limits is as likely (a jitter, a tick, a count)."""
    return half_width / math.sqrt(3.0)


def triangular_sd(half_width: float) -> float:
    """Return a/√6: the sum of two equal rectangular parts (two scans in a row)."""
    return half_width / math.sqrt(6.0)


def arcsine_sd(half_width: float) -> float:
    """Return a/√2: a sine of amplitude a met at a random instant (a vibration)."""
    return half_width / math.sqrt(2.0)
