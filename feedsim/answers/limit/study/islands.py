"""Speeds that are accepted above one that is not: islands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from feedsim.metrics.plain import IF_ANY
from feedsim.metrics.results import Results


def islands(speeds_mm_s: Sequence[float], accepted: Sequence[bool]) -> list[tuple[float, float]]:
    """Return the speeds accepted just above one that is not, each with that one, rising.

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


@dataclass(frozen=True, slots=True)
class Island:
    """An accepted speed, and the simulated one just below it that is not.

    ``varied``: the value of the key that is crossed with the line speed, where one is.
    """

    varied: dict[str, str] = field(metadata=IF_ANY)
    accepted_mm_s: float
    not_accepted_mm_s: float


def islands_of(
    results: Sequence[Results], varied: Mapping[str, str] | None = None
) -> tuple[Island, ...]:
    """Return the islands among results that rise in speed."""
    found = islands([r.line_speed_mm_s for r in results], [r.accepted for r in results])
    return tuple(Island(dict(varied or {}), *pair) for pair in found)
