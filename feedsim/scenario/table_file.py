"""A user's CSV file, as a spreadsheet or a logger writes it: one rule for all.

UTF-8, with or without a byte order mark, or a spreadsheet's UTF-16. Cells are separated by
semicolons, tabs or commas, whichever is most frequent in the first line, or as stated in a line
``sep=;`` before it. Unless commas separate cells, a number may have a decimal comma. Lines that
begin with ``#`` are skipped. Rows are numbered from 1, like in a spreadsheet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from feedsim.errors import Fault, FeedsimError
from feedsim.scenario.csv_numbers import NEEDS_SEMICOLONS, delimiter_of
from feedsim.scenario.text_file import text_of

_SEPARATOR_LINE = re.compile(r"sep=([,;\t|])\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Table:
    """A table that was read."""

    file: str  # its path
    text: str
    delimiter: str
    head: tuple[str, ...] = ()  # the names of its columns, stripped; none in an empty file
    head_row: int = 1  # the row of these names

    @property
    def commas(self) -> bool:
        """Whether a comma within a cell can only be a decimal one."""
        return self.delimiter != ","

    def too_wide(self, cells: Sequence[str]) -> str:
        """Say that a row has more cells than the head names; empty if it has not."""
        return "" if is_blank_row(cells[len(self.head) :]) else self.width_of(cells)

    def width_of(self, cells: Sequence[str]) -> str:
        """Say how many cells a row has, beside those that the head names."""
        hint = "" if self.commas or len(cells) <= len(self.head) else f"; {NEEDS_SEMICOLONS}"
        return f"has {len(cells)} cells, and row {self.head_row} names {len(self.head)}{hint}"

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the number and the cells of each row below the head, blank ones too.

        Raises FeedsimError, with the row, if a quote is not closed.
        """
        return ((row, cells) for row, cells in self.every_row() if row > self.head_row)

    def every_row(self) -> Iterator[tuple[int, list[str]]]:
        """Yield as :meth:`rows` does, from the first row of the file."""
        rows = csv.reader(_lines(self.text), delimiter=self.delimiter, strict=True)
        row = 0
        try:
            for row, cells in enumerate(rows, 1):
                first = cells[0].lstrip() if cells else ""
                if not first.startswith("#") and first[:4].lower() != "sep=":
                    yield row, cells
        except csv.Error:
            message = "is not a CSV file: a quote is not closed, or a cell is far too long"
            raise FeedsimError(Fault(f"{self.file}, row {row + 1}", message=message)) from None


def _lines(text: str) -> Iterable[str]:
    """Yield the lines of a text with their ends, without the copy that `StringIO` makes."""
    if text.count("\r") != text.count("\r\n"):  # line ends of old Macintoshes
        yield from io.StringIO(text, newline="")
        return
    begin = 0
    while end := text.find("\n", begin) + 1:
        yield text[begin:end]
        begin = end
    if begin < len(text):
        yield text[begin:]


def is_blank_row(cells: Sequence[str]) -> bool:
    """Return whether a row is blank."""
    return not any(cell.strip() for cell in cells)


def cell_at(cells: Sequence[str], place: int) -> str:
    """Return what a cell holds; nothing beyond the last."""
    return cells[place].strip() if place < len(cells) else ""


def read_table(path: str | Path, *, largest: int, what: str) -> Table:
    """Read a table and its head; ``what`` it should be is for messages, such as ``"record"``.

    Raises FeedsimError, its key the path, if it cannot be read, is larger than ``largest`` bytes,
    is empty, or is not text.
    """
    name = str(path)
    text = text_of(path, largest=largest, what=what, utf_16=True)
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        message = f"has a NUL character (row {row}); so it is not a CSV file"
        raise FeedsimError(Fault(name, message=message))
    table = Table(name, text, _delimiter(text))
    for row, cells in table.every_row():
        if any(cell.strip(" \t,;") for cell in cells):
            names = tuple(cell.strip() for cell in cells)
            return Table(name, text, table.delimiter, names, row)
    raise FeedsimError(Fault(name, message="is empty"))


def _delimiter(text: str) -> str:
    """Return the separator that the line of the head, or a line ``sep=;`` before it, shows."""
    heads = (s for s in _lines(text) if s.strip(" \t\r\n,;") and not s.lstrip('" ').startswith("#"))
    line = next(heads, "")
    said = _SEPARATOR_LINE.fullmatch(line.strip())
    return said.group(1) if said else delimiter_of(line)
