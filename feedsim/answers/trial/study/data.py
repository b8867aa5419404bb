"""What was measured in a trial on the line: a CSV file, read with a clear word for each slip.

A row is one carrier: the line speed, and where its insert lay (``placement_error_mm``), where
it had been staged (``stage_position_mm``), or that it got none (``missed``). Or it is a tally:
``carriers`` counted at that speed, ``missed`` of them without an insert.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path

from feedsim.answers.trial.study.columns import Column, Quantity, columns_of
from feedsim.answers.trial.study.rows import UNKNOWN, Rows, TrialData
from feedsim.errors import Fault, FeedsimError
from feedsim.scenario.csv_numbers import plain_number
from feedsim.scenario.table_file import is_blank_row, read_table

__all__ = ["TrialData", "is_blank", "read_trial"]

_MOST_FAULTS = 20
_LARGEST = 300_000_000  # bytes
_SLOWEST_MM_S, _FASTEST_MM_S = 0.01, 1e6
_FARTHEST_STAGE_MM = 10_000.0
_MOST_CARRIERS = 1_000_000_000
_KEPT = 100_000
_WORDS = {"0": 0, "1": 1, "yes": 1, "true": 1, "x": 1, "no": 0, "false": 0}


def read_trial(path: str | Path, *, feeders: Sequence[str], longest_mm: float) -> TrialData:
    """Read the file of a trial.

    Parameters
    ----------
    path : str or Path
        CSV, at most 300 MB, UTF-8 or what a spreadsheet writes: commas, semicolons or tabs
        between cells, decimal commas where they cannot be taken for those, with or without a
        byte order mark. Lines that begin with ``#`` are left out.
    feeders : sequence of str
        Their names. The column ``feeder`` has the name or the number, from 0; it may be left
        out where there is one.
    longest_mm : float
        Length of a carrier: no placement error is larger.

    Returns
    -------
    TrialData

    Raises
    ------
    FeedsimError
        If the file cannot be read, or with what is wrong in it and in which row.
    """
    table = read_table(path, largest=_LARGEST, what="trial")
    name = Path(path).name
    columns, others = columns_of(table.head, table.head_row)
    reader = _Reader(columns, feeders, longest_mm, len(table.head), comma=table.commas)
    for number, cells in table.rows():
        if is_blank_row(cells):
            continue
        reader.read(number, cells)
        if len(reader.found.faults) > _MOST_FAULTS:
            break
    return reader.data(name, tuple(others))


def is_blank(path: str | Path, *, feeders: Sequence[str]) -> bool:
    """Tell whether a file is a plan in which nothing has been filled in yet."""
    try:
        table = read_table(path, largest=_LARGEST, what="trial")
        columns, _ = columns_of(table.head, table.head_row)
        reader = _Reader(columns, feeders, math.inf, len(table.head), comma=table.commas)
        for number, cells in table.rows():
            if not is_blank_row(cells):
                reader.read(number, cells)
    except FeedsimError:
        return False
    return not reader.found.row and not reader.found.faults


class _Reader:
    """Turns cells into numbers and keeps what is wrong."""

    def __init__(
        self,
        columns: Sequence[Column],
        feeders: Sequence[str],
        longest_mm: float,
        width: int,
        *,
        comma: bool,
    ) -> None:
        self.columns = {column.quantity: column for column in columns}
        self.names = feeders
        self.feeders = [name.strip().casefold() for name in feeders]
        self.longest_mm = longest_mm
        self.width = width
        self.comma = comma
        self.found = Rows()
        # a million rows are mostly the same few thousand texts
        self.values: dict[Quantity, dict[str, float]] = {quantity: {} for quantity in self.columns}

    def read(self, row: int, cells: list[str]) -> None:
        """Read one row."""
        found = self.found
        before = len(found.faults)
        if len(cells) > self.width and any(cell.strip() for cell in cells[self.width :]):
            found.faults.append(
                Fault(
                    f"row {row}",
                    message=f"has {len(cells)} cells where the head has {self.width}; is there a "
                    f"decimal comma or a separator too many?",
                )
            )
            return
        error, stage = self._number(row, cells, "error"), self._number(row, cells, "stage")
        missed = self._missed(row, cells) if "missed" in self.columns else UNKNOWN
        if missed == UNKNOWN and math.isnan(error) and math.isnan(stage):
            found.blank += len(found.faults) == before
            return
        speed, feeder = self._speed(row, cells), self._feeder(row, cells)
        carriers = self._carriers(row, cells) if "carriers" in self.columns else 1
        self._agree(row, error, stage=stage, carriers=carriers, missed=missed)
        if len(found.faults) == before:
            found.row.append(row)
            found.feeder.append(feeder)
            found.speed.append(speed)
            found.error.append(error)
            found.stage.append(stage)
            found.carriers.append(carriers)
            found.missed.append(missed)

    def _cell(self, cells: list[str], quantity: Quantity) -> str:
        column = self.columns.get(quantity)
        if column is None or column.place >= len(cells):
            return ""
        return cells[column.place].strip()

    def _fault(self, row: int, quantity: Quantity, *, found: str, allowed: str) -> None:
        shown = "".join(c if c.isprintable() else "?" for c in found[:40])
        key = f"row {row}, {self.columns[quantity].name}"
        self.found.faults.append(Fault(key, f'"{shown}"', allowed))

    def _number(self, row: int, cells: list[str], quantity: Quantity) -> float:
        """Read a length or a speed, in mm or mm/s; NaN where there is none, or none that is one."""
        text = self._cell(cells, quantity)
        if not text:
            return math.nan
        known = self.values[quantity]
        value = known.get(text)
        if value is None:
            value, wrong = _number(text, comma=self.comma)
            if wrong:
                self._fault(row, quantity, found=text, allowed=wrong)
                return math.nan
            column = self.columns[quantity]
            value = value * column.times / column.over
            if len(known) < _KEPT:
                known[text] = value
        return value

    def _speed(self, row: int, cells: list[str]) -> float:
        before = len(self.found.faults)
        value = self._number(row, cells, "speed")
        if len(self.found.faults) == before and not _SLOWEST_MM_S <= value <= _FASTEST_MM_S:
            text = self._cell(cells, "speed")
            between = self._between("speed", _SLOWEST_MM_S, _FASTEST_MM_S)
            self._fault(row, "speed", found=text, allowed=f"a line speed, {between}")
        return value

    def _between(self, quantity: Quantity, low: float, high: float) -> str:
        """Name two bounds (mm or mm/s) in the unit of the column."""
        column = self.columns[quantity]
        ends = (f"{end * column.over / column.times:.6g}" for end in (low, high))
        return " to ".join(ends)

    def _feeder(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "feeder").casefold()
        if not text and len(self.feeders) == 1:
            return 0
        for name in (text, text.removeprefix("'")):  # which keeps a spreadsheet from running it
            if name in self.feeders:
                return self.feeders.index(name)
        if text.isdecimal() and len(text) < 4 and int(text) < len(self.feeders):
            return int(text)
        if "feeder" in self.columns:
            names = " or ".join(f'"{name}"' for name in self.names[:8])
            allowed = f"the name of a feeder, {names}, or its number from 0"
            self._fault(row, "feeder", found=text, allowed=allowed)
        else:
            message = f"which of the {len(self.feeders)} feeders? Add a column feeder"
            self.found.faults.append(Fault(f"row {row}", message=message))
        return 0

    def _carriers(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "carriers")
        if not text:
            return 1
        if not re.fullmatch(r"\d{1,10}", text, re.ASCII) or not 1 <= int(text) <= _MOST_CARRIERS:
            allowed = "how many carriers the row stands for, 1 or more"
            self._fault(row, "carriers", found=text, allowed=allowed)
            return 1
        return int(text)

    def _missed(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "missed").casefold()
        if not text:
            return UNKNOWN
        known = _WORDS.get(text)
        if known is not None:
            return known
        if re.fullmatch(r"\d{1,10}", text, re.ASCII):
            return int(text)
        allowed = "how many got no insert: 0 or 1, or yes or no"
        self._fault(row, "missed", found=text, allowed=allowed)
        return UNKNOWN

    def _agree(self, row: int, error: float, *, stage: float, carriers: int, missed: int) -> None:
        """Check that the cells of a row go together."""
        if carriers > 1 and not (math.isnan(error) and math.isnan(stage)):
            message = "what is measured belongs to one carrier: leave carriers empty in this row"
            self.found.faults.append(Fault(f"row {row}", message=message))
        if missed > carriers:
            self.found.faults.append(
                Fault(f"row {row}", message=f"{missed} missed of {carriers} carriers")
            )
        if carriers == 1 and missed == 1 and not math.isnan(error):
            message = "a carrier that was missed has no placement error"
            self.found.faults.append(Fault(f"row {row}", message=message))
        if abs(stage) > _FARTHEST_STAGE_MM:
            name = self.columns["stage"].name
            between = self._between("stage", -_FARTHEST_STAGE_MM, _FARTHEST_STAGE_MM)
            message = (
                f"found {stage:.4g} mm; needs how far the resting nose is from the insert eye, "
                f"{between}"
            )
            self.found.faults.append(Fault(f"row {row}, {name}", message=message))
        if abs(error) > self.longest_mm:
            name = self.columns["error"].name
            message = (
                f"found {error:.4g} mm, more than a carrier is long ({self.longest_mm:.4g} mm): "
                f"is it another unit, or one that was missed?"
            )
            self.found.faults.append(Fault(f"row {row}, {name}", message=message))

    def data(self, name: str, others: tuple[str, ...]) -> TrialData:
        """Return what was read, or say what is wrong."""
        found = self.found
        if found.faults:
            shown = found.faults[:_MOST_FAULTS]
            if len(found.faults) > _MOST_FAULTS:
                shown.append(Fault("", message="and more in the rows after that"))
            raise FeedsimError(*shown)
        if not found.row:
            what = f": all {found.blank} rows are blank" if found.blank else ""
            raise FeedsimError(Fault(name, message=f"there is nothing measured in it{what}"))
        return found.data(
            others,
            error_unit_mm=self._unit("error"),
            stage_unit_mm=self._unit("stage"),
        )

    def _unit(self, quantity: Quantity) -> float:
        column = self.columns.get(quantity)
        return column.times / column.over if column else 1.0


def _number(text: str, *, comma: bool) -> tuple[float, str]:
    """Read a number, a true minus and a decimal comma among it; or say what is needed."""
    try:
        plain = plain_number(text, commas=comma)
    except ValueError as error:
        return math.nan, str(error)
    try:
        value = math.nan if "_" in plain else float(plain)
    except ValueError:
        return math.nan, "a number"
    if math.isfinite(value):
        return value, ""
    return math.nan, "a number, or nothing where none was measured"
