"""The cells of a log as numbers and times: all at once if none is unusual, else one by one."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Ints
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.clock import TimeOfDay
from feedsim.logs.log import Remark
from feedsim.logs.names import Head, TimeColumn
from feedsim.scenario.csv_numbers import ALONE, plain_number
from feedsim.scenario.table_file import Table, is_blank_row
from feedsim.scenario.wording import shown

_AT_ONCE = 8192
_MOST_FAULTS = 5
LEVEL_WORDS = {"true": 1.0, "on": 1.0, "yes": 1.0, "false": 0.0, "off": 0.0, "no": 0.0}

Row = tuple[int, list[str]]
_UNUSUAL = ('"', "#", "\n\n", "\n\r\n")
_NO_NUMBER = ("_", "\0")  # nan and inf are looked for in what was read
_LONGEST_NAME = 48
_LEVELS = {
    as_written: level
    for word, level in LEVEL_WORDS.items()
    for as_written in (word, word.title(), word.upper())
}


class CellReader:
    """Common to both shapes: whole rows in blocks, one cell as a number, faults."""

    def __init__(self, table: Table, time: TimeColumn) -> None:
        self.table, self.time = table, time
        self.width = len(table.head)
        self.of_day = TimeOfDay()
        self.faults: list[Fault] = []
        self.more = 0
        self.remarks: list[Remark] = []

    def blocks(self) -> Iterator[list[Row]]:
        """Yield whole rows without blank ones; report a truncated last one."""
        whole = self.table.text.endswith(("\n", "\r"))
        block: list[Row] = []
        for numbered in self.table.rows():
            if len(block) == _AT_ONCE:
                last = block.pop()
                yield self._of_right_length(block)
                block = [last]
            if not is_blank_row(numbered[1]):
                block.append(numbered)
        if block and (not whole or len(block[-1][1]) < self.width):
            row, cells = block.pop()
            short = len(cells) < self.width
            have = f"{len(cells)} of {self.width} cells" if short else "no line end"
            text = f"Row {row}, the last, has {have}: it was cut short, and is left out."
            self.remarks.append(Remark(text, row))
        yield self._of_right_length(block)
        self.tell()

    def _of_right_length(self, block: list[Row]) -> list[Row]:
        widths = {len(cells) for _, cells in block}
        if widths <= {self.width}:
            return block
        good = []
        for row, cells in block:
            if len(cells) >= self.width and is_blank_row(cells[self.width :]):
                good.append((row, cells))
            else:
                where = f"{self.table.file}, row {row}"
                self.fault(Fault(where, message=self.table.width_of(cells)))
        return good

    def fault(self, fault: Fault) -> None:
        """Keep a fault, the first few."""
        if len(self.faults) < _MOST_FAULTS:
            self.faults.append(fault)
        else:
            self.more += 1

    def tell(self) -> None:
        """Raise what was found."""
        if self.faults:
            more = [f"{self.table.file}: and {self.more} more faults"] if self.more else []
            raise FeedsimError(*self.faults, *more)

    def at(self, row: int, column: str) -> str:
        """Name a cell."""
        return f"{self.table.file}, row {row}, {column}"

    def number(self, text: str, *, row: int, column: str, level: bool) -> float:
        """Read a cell; NaN for a blank or faulty one, whose fault is kept."""
        text = text.strip()
        if not text:
            return math.nan
        if level and text.casefold() in LEVEL_WORDS:
            return LEVEL_WORDS[text.casefold()]
        allowed = "0 or 1" if level else f"a number, such as 12.5, {ALONE}"
        try:
            plain = plain_number(text, commas=self.table.commas)
        except ValueError as error:
            self.fault(Fault(self.at(row, column), shown(text), str(error)))
            return math.nan
        try:
            value = math.nan if "_" in plain else float(plain)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            self.fault(Fault(self.at(row, column), shown(text), allowed))
        return value

    def when(self, text: str, row: int) -> float:
        """Read a time, in seconds, or the number of a sample; a blank one is a fault."""
        name, before = self.time.name, len(self.faults) + self.more
        if self.time.kind == "of_day":
            try:
                return self.of_day.read(text)
            except ValueError:
                allowed = (
                    "a time of day, such as 14:03:07.211, with a date before it in all or none"
                )
                self.fault(Fault(self.at(row, name), shown(text), allowed))
                return math.nan
        value = self.number(text, row=row, column=name, level=False)
        if math.isnan(value) and len(self.faults) + self.more == before:
            self.fault(Fault(self.at(row, name), message="is blank; each row needs its time"))
        return value

    def plain_texts(self, texts: Iterator[str]) -> Iterator[str]:
        """Write decimal points if commas can only be decimal ones."""
        return (text.replace(",", ".") for text in texts) if self.table.commas else texts


class Quick(NamedTuple):
    """The requested columns in order, and their rows."""

    rows: Ints
    columns: list[NDArray[Any]]
    of_day: TimeOfDay


def quick_read(table: Table, head: Head, places: list[int]) -> Quick | None:
    """Read columns with NumPy's text reader; None if a cell or a row is unusual.

    Unusual: a truncated last row, a quote, a comment, a blank line, a cell that is not a number,
    too many or too few cells.
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
    """Read a level; raises the error of ``float`` for neither word nor number."""
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
