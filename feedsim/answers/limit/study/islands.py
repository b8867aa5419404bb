"""Speeds that are accepted above one that is not: islands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from feedsim.metrics.plain import Plain

__all__ = ["islands", "islands_plain"]


def islands(speeds_mm_s: Sequence[float], accepted: Sequence[bool]) -> list[tuple[float, float]]:
    """Return the speeds accepted just above one that is not, rising, each with that one.

    Parameters
    ----------
    speeds_mm_s : sequence of float
        Rising.
    accepted : sequence of bool
        At each of them.

    Examples
    --------
    >>> islands([500.0, 600.0, 700.0], [True, False, True])
    [(700.0, 600.0)]
    """
    rows = pairwise(zip(speeds_mm_s, accepted, strict=True))
    return [(high, low) for (low, below), (high, here) in rows if here and not below]


def islands_plain(points: Sequence[Mapping[str, Any]]) -> list[dict[str, Plain]]:
    """Return the islands among results that rise in speed, as ``sweep.json`` holds them."""
    speeds = [point["line_speed_mm_s"] for point in points]
    found = islands(speeds, [point["accepted"] for point in points])
    return [{"accepted_mm_s": high, "not_accepted_mm_s": low} for high, low in found]
