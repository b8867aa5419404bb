"""Mean and standard deviation of a column, with floating noise kept out."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.records.columns import RunRecords
from feedsim.records.stored import AT_ONCE

_ROUNDINGS = 8.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Number, mean and sample standard deviation (divisor n − 1) of a column.

    ``mean`` is None without values, ``sd`` with fewer than two; both are None where a
    value is not finite.
    """

    n: int
    mean: float | None
    sd: float | None


def spread(values: Floats, *, resolution: float) -> Spread:
    """Return number, mean and standard deviation: s² = Σ(x − m)²/(n − 1) (any textbook).

    NaN is left out. ``resolution``: unit of the values: if all lie within it, sd is 0.
    """
    seen = [(len(p), p.min(), p.max(), p.sum()) for p in _parts(values) if len(p)]
    n = sum(count for count, *_ in seen)
    if n == 0:
        return Spread(n=0, mean=None, sd=None)
    lowest, highest = float(min(p[1] for p in seen)), float(max(p[2] for p in seen))
    if not (np.isfinite(lowest) and np.isfinite(highest)):
        return Spread(n=n, mean=None, sd=None)
    mean = min(max(math.fsum(float(p[3]) for p in seen) / n, lowest), highest)
    if n == 1:
        return Spread(n=1, mean=mean, sd=None)
    sd = 0.0 if highest - lowest <= resolution else math.sqrt(squares(values) / (n - 1))
    return Spread(n=n, mean=mean, sd=sd)


def squares(values: Floats) -> float:
    """Return the sum of squared deviations from the mean, added in parts; NaN is left out."""
    seen = [(len(part), float(part.sum())) for part in _parts(values)]
    mean = math.fsum(total for _, total in seen) / sum(count for count, _ in seen)
    off = (part - mean for part in _parts(values))
    return math.fsum(float(np.multiply(o, o, out=o).sum()) for o in off)


def variance_of_sums(n: float, total: float, squares: float) -> float:
    """Return the variance of n ≥ 2 values: (Σx² − (Σx)²/n)/(n − 1), 0 at least (any textbook).

    ``total``: Σx, in their unit; ``squares``: Σx². For sums that are added over runs; it loses the
    digits that a mean far from 0 takes.
    """
    return max(0.0, squares - total * total / n) / (n - 1.0)


def sum_of_products(one: Floats, two: Floats) -> float:
    """Return the sum of products of two columns, added in parts.

    A matrix product would be in as many parts as linear algebra has threads, so its last bits would
    tell a process with one thread from others.
    """
    parts = (slice(i, i + AT_ONCE) for i in range(0, len(one), AT_ONCE))
    return math.fsum(float(np.sum(one[part] * two[part])) for part in parts)


def _parts(values: Floats) -> Iterator[Floats]:
    """Yield the values in blocks that fit in memory, without NaN."""
    for i in range(0, len(values), AT_ONCE):
        part = values[i : i + AT_ONCE]
        missing = np.isnan(part)
        yield part[~missing] if missing.any() else part


def resolution_mm(records: RunRecords) -> float:
    """Return the difference (mm) below which two positions of a run count as one.

    ``SAME_TRAVEL_MM``, or eight roundings of the longest belt travel if that is
    more: positions are differences of travels, so they are no finer.
    """
    travel = records.carriers.leading_edge_mm
    longest = float(np.abs(travel[-1])) if len(travel) else 0.0
    return max(SAME_TRAVEL_MM, _ROUNDINGS * float(np.spacing(longest)))
