"""One cell of a log as a number or a time, whole rows in blocks, and the faults found in them."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.clock import TimeOfDay
from feedsim.logs.log import Remark
from feedsim.logs.names import TimeColumn
from feedsim.scenario.csv_numbers import plain_number
from feedsim.scenario.table_file import Table, is_blank_row
from feedsim.scenario.wording import shown

_AT_ONCE = 8192
_MOST_FAULTS = 5
LEVEL_WORDS = {"true": 1.0, "on": 1.0, "yes": 1.0, "false": 0.0, "off": 0.0, "no": 0.0}

Row = tuple[int, list[str]]


class CellReader:
    """What both shapes need: whole rows in blocks, one cell as a number, faults."""

    def __init__(self, table: Table, time: TimeColumn) -> None:
        self.table, self.time = table, time
        self.width = len(table.head)
        self.of_day = TimeOfDay()
        self.faults: list[Fault] = []
        self.more = 0
        self.remarks: list[Remark] = []

    def blocks(self) -> Iterator[list[Row]]:
        """Yield whole rows, blank ones left out; a last one that was cut short is told."""
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
            if len(cells) >= self.width and not any(cell.strip() for cell in cells[self.width :]):
                good.append((row, cells))
                continue
            hint = ""
            if not self.table.commas and len(cells) > self.width:
                hint = "; decimal commas need semicolons between the cells"
            message = (
                f"has {len(cells)} cells, and row {self.table.head_row} names {self.width}{hint}"
            )
            self.fault(Fault(f"{self.table.file}, row {row}", message=message))
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
        """Read a cell; NaN for a blank one, and for one with a fault, which is kept."""
        text = text.strip()
        if not text:
            return math.nan
        if level and text.casefold() in LEVEL_WORDS:
            return LEVEL_WORDS[text.casefold()]
        allowed = "0 or 1" if level else "a number without its unit, such as 12.5"
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
        """Write decimal points, where commas can only be decimal ones."""
        return (text.replace(",", ".") for text in texts) if self.table.commas else texts
