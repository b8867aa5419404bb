"""Histogram of the placement errors of a run, in bins set by its tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.criteria import Criteria
from feedsim.metrics.rows import placed_rows
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import RunRecords

_PER_TOLERANCE = 16  # bins
_TOLERANCES = 4  # covered by bins, to either side


@dataclass(frozen=True, slots=True)
class ErrorCounts:
    """Histogram of the placement errors of one feeder.

    ``from_mm``: lower edge of the first bin.
    ``bin_mm``: width of a bin: a whole fraction of the tolerance.
    ``counts``: errors in each bin, from the first to the last that holds any.
    ``below``, ``above``: errors beyond four tolerances, which have no bin.
    """

    from_mm: float
    bin_mm: float
    counts: tuple[int, ...]
    below: int
    above: int


def error_counts(records: RunRecords, *, criteria: Criteria) -> tuple[ErrorCounts, ...]:
    """Count each feeder's errors on counted carriers; those within tolerance stay in its bins."""
    tolerance = criteria.placement_tolerance_mm
    limit = criteria.largest_error_mm(resolution_mm(records))
    found = []
    for feeder in records.feeders:
        errors = feeder.placement_error_mm[placed_rows(feeder, records.warm_up)]
        inside = np.abs(errors) <= limit
        most = tolerance * (1.0 - 1e-9)
        errors = np.where(inside, np.clip(errors, -most, most), errors)
        places = np.floor(errors * (_PER_TOLERANCE / tolerance)).astype(np.int64)
        low, high = -_TOLERANCES * _PER_TOLERANCE, _TOLERANCES * _PER_TOLERANCE - 1
        kept = places[(places >= low) & (places <= high)]
        first = int(kept.min()) if len(kept) else 0
        found.append(
            ErrorCounts(
                from_mm=first * tolerance / _PER_TOLERANCE,
                bin_mm=tolerance / _PER_TOLERANCE,
                counts=tuple(np.bincount(kept - first).tolist()),
                below=int(np.count_nonzero(places < low)),
                above=int(np.count_nonzero(places > high)),
            )
        )
    return tuple(found)
