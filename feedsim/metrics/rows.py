"""Which rows of the records a figure is made of."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome

__all__ = ["Rows", "begins_among", "cycle_rows", "number_of", "placed_rows"]

Rows = slice | NDArray[np.intp]
"""An index into the columns: a slice where all counted rows are meant (nothing is copied)."""


def cycle_rows(feeder: FeederRecords, warm_up: int) -> Rows:
    """Return the rows of counted carriers for which a feed cycle began (the clutch closed)."""
    return _rows(feeder.insert[warm_up:] >= 0, warm_up)


def placed_rows(feeder: FeederRecords, warm_up: int) -> Rows:
    """Return the rows of counted carriers on which an insert was placed."""
    return _rows(feeder.outcome[warm_up:] == Outcome.PLACED, warm_up)


def number_of(rows: Rows) -> int:
    """Return how many rows these are."""
    if isinstance(rows, slice):
        return int(rows.stop) - int(rows.start)
    return len(rows)


def begins_among(rows: Rows, begins: Sequence[int]) -> list[int]:
    """Return at which places among these rows a run begins, given the rows at which one does."""
    if len(begins) == 1:
        return [0]
    if isinstance(rows, slice):
        return [max(0, begin - int(rows.start)) for begin in begins]
    return [int(place) for place in np.searchsorted(rows, begins)]


def _rows(wanted: NDArray[np.bool_], warm_up: int) -> Rows:
    if wanted.all():
        return slice(warm_up, warm_up + len(wanted))
    return np.flatnonzero(wanted) + warm_up
