"""Speeds that are accepted above one that is not: islands, in words."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from feedsim.quantities import System, display

__all__ = ["island_words"]

_FEW = 3


def island_words(
    speeds_mm_s: Sequence[float], accepted: Sequence[bool], *, units: System = "metric"
) -> str:
    """Name the speeds that are accepted just above one that is not; empty where there are none.

    Parameters
    ----------
    speeds_mm_s : sequence of float
        Rising.
    accepted : sequence of bool
        At each of them.
    units : {"metric", "inch"}

    Examples
    --------
    >>> island_words([500.0, 600.0, 700.0], [True, False, True])
    'Accepted at 42 m/min, not at 36 m/min: not a speed to set.'
    """
    rows = pairwise(zip(speeds_mm_s, accepted, strict=True))
    found = [(high, low) for (low, below), (high, here) in rows if here and not below]
    if not found:
        return ""
    parts = [
        ", not at ".join(display(speed, "speed", units=units) for speed in pair)
        for pair in found[:_FEW]
    ]
    more = f"; and {len(found) - _FEW} more" if len(found) > _FEW else ""
    what = "not a speed" if len(found) == 1 else "not speeds"
    return f"Accepted at {'; at '.join(parts)}{more}: {what} to set."
