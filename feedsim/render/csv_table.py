"""Rows as CSV for spreadsheets."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Places
from feedsim.metrics.intervals import Interval

Cells = Iterator[tuple[str, object]]
"""Names of columns, and the cells of one row."""

_ROWS_AT_ONCE = 4096

_BEGINS_A_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def csv_table(rows: Sequence[Mapping[str, object]]) -> bytes:
    r"""Write rows as a table: a column for each name in the order in which it first comes.

    None and a name that a row lacks are empty cells. Numbers are the shortest text that reads back
    as the same number.

    >>> csv_table([{"feeder": "=left", "mean_mm": -0.5}])
    b"feeder,mean_mm\n'=left,-0.5\n"
    """
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(harmless(name) for name in names)
    for row in rows:
        cells = (row.get(name) for name in names)
        writer.writerow(harmless(cell) if isinstance(cell, str) else cell for cell in cells)
    return text.getvalue().encode()


def columns_csv(
    rows: Places, columns_of: Callable[[Places], Mapping[str, Any]]
) -> Callable[[BinaryIO], None]:
    """Return a writer for a long table whose texts are plain words.

    Floats are the shortest text that reads back as the same float. NaN and a whole number below 0
    are empty cells. ``columns_of`` gives the columns of some of the rows by name, in order; also of
    none.
    """
    return partial(_write, rows, columns_of)


def _write(
    rows: Places,
    columns_of: Callable[[Places], Mapping[str, Any]],
    file: BinaryIO,
) -> None:
    for first in range(0, max(len(rows), 1), _ROWS_AT_ONCE):
        columns = columns_of(rows[first : first + _ROWS_AT_ONCE])
        if first == 0:
            file.write((",".join(columns) + "\n").encode("ascii"))
        lines = map(",".join, zip(*map(_cells, columns.values()), strict=True))
        file.write("\n".join([*lines, ""]).encode("ascii"))


def _cells(column: NDArray[Any]) -> Sequence[str]:
    column = np.asarray(column)
    values: list[Any] = column.tolist()
    match column.dtype.kind:
        case "U":
            return values
        case "f":
            missing = np.isnan(column)
        case _:
            missing = column < 0
    if not missing.any():
        return list(map(repr, values))
    return ["" if none else repr(value) for none, value in zip(missing, values, strict=True)]


def harmless(text: str) -> str:
    """Put a quote before a text that a spreadsheet would run as a formula.

    Texts that begin with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return, except numbers
    (OWASP, CSV injection; from memory).

    Examples
    --------
    >>> harmless("=1+1"), harmless("-5"), harmless("left-hand feeder")
    ("'=1+1", '-5', 'left-hand feeder')
    """
    if _BEGINS_A_FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return f"'{text}"
    return text


def ends(name: str, interval: Interval | None, unit: str = "") -> Cells:
    """Yield the columns of an interval's two ends; empty if there is none.

    >>> list(ends("mean", Interval(0.1, 0.2), "_mm"))
    [('mean_low_mm', 0.1), ('mean_high_mm', 0.2)]
    """
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high
