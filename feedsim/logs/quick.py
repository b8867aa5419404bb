"""The numbers of a log in one go, where nothing in it is unusual; else it is read row by row."""

from __future__ import annotations

import io
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Ints
from feedsim.logs.clock import TimeOfDay
from feedsim.logs.names import Head
from feedsim.scenario.table_file import Table

_UNUSUAL = ('"', "#", "\n\n", "\n\r\n")
_NO_NUMBER = ("_", "\0", "n", "N", "i", "I")  # of nan and inf: what is no number is read row by row
_LONGEST_NAME = 48


class Quick(NamedTuple):
    """The columns that are read, in the order of the places asked for, and their rows."""

    rows: Ints
    columns: list[NDArray[Any]]
    of_day: TimeOfDay


def quick_read(table: Table, head: Head, places: list[int]) -> Quick | None:
    """Read columns by NumPy's own reader of text; None where a cell or a row is unusual.

    A last row that was cut short, or a quote, a comment, a blank line or a cell that is no number
    make it unusual, and so do cells too many or too few.
    """
    body = _below_the_head(table)
    rows = body.count("\n")
    if not _is_usual(body, head) or body.count(table.delimiter) != rows * (len(table.head) - 1):
        return None
    if table.commas:
        body = body.replace(",", ".")
    of_day = TimeOfDay()
    names = [f"c{i}" for i in range(len(places))]
    kinds: list[type[float] | str] = [np.float64] * len(places)
    if head.shape == "events":
        kinds[1] = f"S{_LONGEST_NAME}"
    lines = io.TextIOWrapper(io.BytesIO(body.encode()), "utf-8")
    del body
    try:
        found = np.loadtxt(
            lines,
            dtype=np.dtype(list(zip(names, kinds, strict=True))),
            delimiter=table.delimiter,
            comments=None,
            usecols=places,
            converters={head.time.place: of_day.read} if head.time.kind == "of_day" else None,
            encoding="utf-8",
            ndmin=1,
        )
    except (ValueError, IndexError, UnicodeError):
        return None
    columns = [np.ascontiguousarray(found[name]) for name in names]
    if len(found) != rows or not all(np.isfinite(c).all() for c in columns if c.dtype.kind == "f"):
        return None
    return Quick(np.arange(rows) + table.head_row + 1, columns, of_day)


def _below_the_head(table: Table) -> str:
    begin = 0
    for _ in range(table.head_row):
        begin = table.text.find("\n", begin) + 1
        if not begin:
            return ""
    return table.text[begin:]


def _is_usual(body: str, head: Head) -> bool:
    if not body.endswith("\n"):
        return False
    # a signal's name may have what no number has
    odd = _UNUSUAL if head.shape == "events" else (*_UNUSUAL, *_NO_NUMBER)
    return not any(text in body for text in odd) and body.count("\r") == body.count("\r\n")
