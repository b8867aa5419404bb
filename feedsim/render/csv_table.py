"""Rows as CSV that people open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence

from feedsim.metrics.intervals import Interval

__all__ = ["Cells", "csv_table", "ends", "harmless"]

Cells = Iterator[tuple[str, object]]
"""Names of columns, and what stands in one row below them."""

_BEGINS_A_FORMULA = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def csv_table(rows: Sequence[Mapping[str, object]]) -> bytes:
    r"""Write rows as a table: a column for each name in the order in which it first comes.

    Parameters
    ----------
    rows : sequence of mapping of str to object
        Name to cell; None and a name that a row lacks are empty. Numbers are the shortest text
        that reads back as the same number.

    Examples
    --------
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


def harmless(text: str) -> str:
    """Put a quote before a text that a spreadsheet would take for a formula and run.

    What begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return is one, but for numbers
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
    """Yield the columns of an interval's two ends; empty where there is none.

    >>> list(ends("mean", Interval(0.1, 0.2), "_mm"))
    [('mean_low_mm', 0.1), ('mean_high_mm', 0.2)]
    """
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high
