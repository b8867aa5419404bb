"""The numbers of a log in one go, where nothing in it is unusual; else it is read row by row."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Ints
from feedsim.logs.cell_reader import LEVEL_WORDS
from feedsim.logs.clock import TimeOfDay
from feedsim.logs.names import Head
from feedsim.scenario.table_file import Table

_UNUSUAL = ('"', "#", "\n\n", "\n\r\n")
_NO_NUMBER = ("_", "\0")  # nan and inf are looked for in what was read
_LONGEST_NAME = 48
_LEVELS = {
    as_written: level
    for word, level in LEVEL_WORDS.items()
    for as_written in (word, word.title(), word.upper())
}


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
    converters: dict[int | str, Callable[[str], Any]] = dict.fromkeys(
        _worded(body, table, head), _level
    )
    if head.time.kind == "of_day":
        converters[head.time.place] = of_day.read
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
            converters=converters or None,
            encoding="utf-8",
            ndmin=1,
        )
    except (ValueError, IndexError, UnicodeError):
        return None
    columns = [np.ascontiguousarray(found[name]) for name in names]
    if len(found) != rows or not all(np.isfinite(c).all() for c in columns if c.dtype.kind == "f"):
        return None
    return Quick(np.arange(rows) + table.head_row + 1, columns, of_day)


def _worded(body: str, table: Table, head: Head) -> list[int]:
    """Return the places of levels that are words in the first row."""
    first = body[: body.find("\n")].split(table.delimiter)
    levels = [place for place, signal in head.signals if signal.quantity is None]
    return [place for place in levels if place < len(first) and first[place].strip() in _LEVELS]


def _level(text: str) -> float:
    """Read a level; what is neither word nor number is an error of ``float``."""
    word = _LEVELS.get(text.strip())
    return float(text) if word is None else word


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
