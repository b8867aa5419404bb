"""The rows of the records behind a figure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Places
from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stored import AT_ONCE

Rows = slice | Bools | Places
"""An index into the columns: a slice (no copy) for all counted rows, else a mask or places."""
Column = NDArray[Any]


def cycle_rows(feeder: FeederRecords, warm_up: int) -> Rows:
    """Return the rows of counted carriers for which the clutch closed."""
    return _rows(feeder.insert[warm_up:] >= 0, warm_up)


def placed_rows(feeder: FeederRecords, warm_up: int) -> Rows:
    """Return the rows of counted carriers on which an insert was placed."""
    return _rows(feeder.outcome[warm_up:] == Outcome.PLACED, warm_up)


def number_of(rows: Rows) -> int:
    """Return the number of rows."""
    if isinstance(rows, slice):
        return int(rows.stop) - int(rows.start)
    return int(np.count_nonzero(rows)) if rows.dtype == np.bool_ else len(rows)


def begins_among(rows: Rows, begins: Sequence[int]) -> list[int]:
    """Return the places among these rows at which a run begins, given the first row of each run."""
    if len(begins) == 1:
        return [0]
    if isinstance(rows, slice):
        return [max(0, begin - int(rows.start)) for begin in begins]
    if rows.dtype == np.bool_:
        return [int(np.count_nonzero(rows[:begin])) for begin in begins]
    return [int(place) for place in np.searchsorted(rows, begins)]


def known(rows: Rows, column: Column) -> Column:
    """Return a copy of a column's values in these rows, without NaN."""
    return combined(rows, lambda values: values[~np.isnan(values)], column)


def combined(rows: Rows, function: Callable[..., Column], *columns: Column) -> Column:
    """Apply a function to these rows of some columns, shape (n,), part by part, to save memory.

    It takes arrays of shape (m,), one for each column; it returns one of that shape or shorter.
    """
    if not isinstance(rows, slice) and rows.dtype != np.bool_:
        return function(*(column[rows] for column in columns))
    first, end = (rows.start, rows.stop) if isinstance(rows, slice) else (0, len(rows))
    found, place = np.empty(0), 0
    for begin in range(first, max(end, first + 1), AT_ONCE):
        some = slice(begin, min(begin + AT_ONCE, end))
        parts = (column[some] for column in columns)
        made = function(*(p if isinstance(rows, slice) else p[rows[some]] for p in parts))
        if begin == first:
            found = np.empty(number_of(rows), made.dtype)
        found[place : place + len(made)] = made
        place += len(made)
    return found[:place]


def _rows(wanted: Bools, warm_up: int) -> Rows:
    if wanted.all():
        return slice(warm_up, warm_up + len(wanted))
    return np.concatenate((np.zeros(warm_up, np.bool_), wanted))
