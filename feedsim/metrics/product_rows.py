"""The outcome of each product: one row per counted carrier."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.overlaps import all_pairs, overlaps_mm, wrong
from feedsim.metrics.rows import combined
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome


class ProductClass(IntEnum):
    """Class of a product (model, section 16)."""

    EMPTY = 0
    PARTIAL = 1
    COMPLETE = 2


@dataclass(frozen=True, slots=True)
class ProductRows:
    """Columns of shape ``(n,)``, a row per counted carrier; ``classes``: its :class:`ProductClass`.

    ``doubled``: an insert placed on it was a double, found or not. ``out_of_tolerance``: an insert
    on it lies beyond the placement tolerance. ``wrong_overlap``: two on it violate the recipe.
    """

    classes: NDArray[np.int8]
    doubled: Bools
    out_of_tolerance: Bools
    wrong_overlap: Bools

    @property
    def good(self) -> Bools:
        """Complete, without any of these defects."""
        spoilt = self.doubled | self.out_of_tolerance | self.wrong_overlap
        good: Bools = (self.classes == ProductClass.COMPLETE) & ~spoilt
        return good


def needed(machine: Machine, criteria: Criteria) -> tuple[int, ...]:
    """Return the feeders, by number, whose inserts a complete product needs."""
    return criteria.recipe.needs or tuple(range(len(machine.feeders)))


def product_rows(records: RunRecords, machine: Machine, *, criteria: Criteria) -> ProductRows:
    """Return the outcome of each counted carrier's product, by recipe and placement tolerance."""
    n = len(records.carriers.eye_time_s) - records.warm_up
    finest = resolution_mm(records)
    some, doubled, out, overlapping = (np.zeros(n, dtype=np.bool_) for _ in range(4))
    complete = np.full(n, bool(machine.feeders))
    needs = needed(machine, criteria)
    limit = criteria.largest_error_mm(finest)
    counted = slice(records.warm_up, records.warm_up + n)
    for number, feeder in enumerate(records.feeders):
        placed = feeder.outcome[records.warm_up :] == Outcome.PLACED
        some |= placed
        doubled |= placed & (feeder.double[records.warm_up :] != 0)
        errors = feeder.placement_error_mm
        out |= placed & combined(counted, lambda error: np.abs(error) > limit, errors)
        if number in needs:
            complete &= placed
    for pair in all_pairs(machine, criteria.recipe):
        if pair.min_overlap_mm == -np.inf and pair.max_overlap_mm == np.inf:
            continue
        overlap = overlaps_mm(records, machine, one=pair.below, other=pair.above)
        overlapping |= wrong(overlap, pair, resolution_mm=finest)
    classes = np.full(n, ProductClass.EMPTY, dtype=np.int8)
    classes[some] = ProductClass.PARTIAL
    classes[complete] = ProductClass.COMPLETE
    return ProductRows(classes, doubled, out, overlapping)
