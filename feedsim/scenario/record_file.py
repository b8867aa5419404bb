"""A record of carriers: a CSV file with a column of pitches or of eye times, read once.

The first row names the columns with their units. Every fault names its file and row.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path

from feedsim.errors import Fault, FeedsimError
from feedsim.measures import measure
from feedsim.quantities import Kind
from feedsim.scenario.csv_numbers import ALONE, plain_number
from feedsim.scenario.table_file import Table, cell_at, is_blank_row, read_table
from feedsim.scenario.wording import shown, shown_path

MOST_PITCHES = 100_000
MOST_ROWS = 5
"""Faulty rows of a file that are reported one by one."""

_KEY = "carrier.record"
_LARGEST = 20_000_000  # bytes
_MOST_NAMES, _MOST_SHOWN = 6, 100
_COLUMN = re.compile(r"(pitch|eye_time)_([a-zµ]{1,4})")
_UNITS: dict[str, tuple[Kind, tuple[str, ...]]] = {
    "pitch": ("length", ("mm", "cm", "m", "in", "inch", "ft")),
    "eye_time": ("time", ("s", "ms", "us", "µs", "min")),
}
_WANTED = 'a column of pitches, such as "pitch_mm" or "pitch_in", or of eye times, "eye_time_s"'
_NUMBER = re.compile(r"[+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,2})?", re.ASCII)
_HUGE = 10**12  # mm or s
_SMALLEST_MM, _LARGEST_MM = Fraction(1, 10**6), 10**9


@dataclass(frozen=True, slots=True)
class RecordColumn:
    """The column of a record, exactly as written."""

    file: str  # its name, for messages
    times: bool  # whether these are eye times (s); else pitches (mm)
    values: tuple[Fraction, ...]  # one for each row
    first_row: int = 2


@dataclass(frozen=True, slots=True)
class PitchRecord:
    """Pitches read from a file, which replace its name; none if it has faults."""

    pitches_mm: tuple[float, ...] = ()
    file: str = ""  # its name, for messages
    first_row: int = 2

    def row(self, place: int) -> str:
        """Return the file and row of a pitch, in words."""
        return _row(self.file, self.first_row + place)


def read_column(path: Path) -> RecordColumn:
    """Read the column of a record that has pitches or eye times.

    Raises FeedsimError, with the first faulty rows, if the file cannot be read or is not a record.
    """
    file = shown_path(path)
    try:
        table = read_table(path, largest=_LARGEST, what="record")
        rows = list(islice(table.rows(), MOST_PITCHES + 3))
    except FeedsimError as error:
        raise _wrong(file, error.faults[0].message) from None
    return _column(table, rows, _place(table, file), file)


def pitches_of(column: RecordColumn, speed_mm_s: float | None) -> PitchRecord:
    """Turn a column into pitches: n + 1 eye times give n, (t_k − t_(k−1))·v.

    ``speed_mm_s``: of the belt while eye times were logged; not used for pitches. Raises
    FeedsimError if times do not rise, or a pitch is not above 0 or not of a reasonable size.
    """
    values, first_row, rises = column.values, column.first_row, "a pitch has to be more than 0"
    if column.times:
        speed = Fraction(speed_mm_s or 0.0)
        values = tuple((later - earlier) * speed for earlier, later in pairwise(values))
        first_row, rises = first_row + 1, "its eye time is not later than that of the row before"
    recorded = PitchRecord(tuple(float(value) for value in values), column.file, first_row)
    faults = []
    for place, value in enumerate(values):
        if value <= 0:
            faults.append(f"{recorded.row(place)}: {rises}")
        elif not _SMALLEST_MM <= value <= _LARGEST_MM:
            faults.append(
                f"{recorded.row(place)}: a pitch of {float(value):.3g} mm is out of range"
            )
    _tell(faults)
    return recorded


def _place(table: Table, file: str) -> int:
    """Find out which column to read."""
    names = table.head
    found = [place for place, name in enumerate(names) if _kind(name)]
    at = f"row {table.head_row}"
    if len(found) > 1:
        both = " and ".join(shown(names[place]) for place in found[:3])
        raise _wrong(file, f"{at} names {both}; a record has one of them")
    if found:
        return found[0]
    if any(_NUMBER.fullmatch(name) for name in names):
        raise _wrong(file, f"{at} has numbers; it has to name {_WANTED}")
    has = ", ".join(shown(name) for name in names[:_MOST_NAMES])
    more = " and more" if len(names) > _MOST_NAMES or len(has) > _MOST_SHOWN else ""
    raise _wrong(file, f"{at} has to name {_WANTED}; it has {has[:_MOST_SHOWN]}{more}")


def _kind(name: str) -> Kind | None:
    """Return the kind of a column by its name; None if it is not read."""
    found = _COLUMN.fullmatch(name.lower())
    if not found:
        return None
    kind, units = _UNITS[found[1]]
    return kind if found[2] in units else None


def _column(
    table: Table, rows: Sequence[tuple[int, list[str]]], place: int, file: str
) -> RecordColumn:
    """Read the numbers of one column; blank rows at the end do not count."""
    name = table.head[place]
    times = _kind(name) == "time"
    unit = name.rpartition("_")[2].lower()
    factor = Fraction(repr(measure(f"1 {unit}", "time" if times else "length").value))
    values: list[Fraction] = []
    faults: list[str] = []
    blank = 0
    for row, cells in rows:
        if is_blank_row(cells):
            blank = blank or row
            continue
        if len(values) + len(faults) > MOST_PITCHES + times - 1:
            raise _wrong(file, f"has more than {MOST_PITCHES:,} rows")
        if blank:
            faults.append(f"{_row(file, blank)}: is blank, with rows after it")
            blank = 0
        try:
            values.append(_number(cells, table, place) * factor)
        except ValueError as error:
            faults.append(f"{_row(file, row)}: {error}")
    _tell(faults)
    if len(values) < 1 + times:
        needs = "two eye times or more: a pitch lies between them" if times else "a pitch below it"
        at = f"row {table.head_row}"
        raise _wrong(file, f"{at} names {shown(name)}; there has to be {needs}")
    return RecordColumn(file, times, tuple(values), first_row=table.head_row + 1)


def _number(cells: Sequence[str], table: Table, place: int) -> Fraction:
    """Read the number of a row; a ValueError says what is wrong."""
    if too_wide := table.too_wide(cells):
        raise ValueError(too_wide)
    text = cell_at(cells, place)
    if not text:
        raise ValueError(f"nothing in column {shown(table.head[place])}")
    try:
        plain = plain_number(text, commas=table.commas)
    except ValueError as error:
        raise ValueError(f"found {shown(text)}; needs {error}") from None
    if not _NUMBER.fullmatch(plain):
        raise ValueError(f"found {shown(text)}; needs a number, such as 260.5, {ALONE}")
    number = Fraction(plain)
    if abs(number) > _HUGE:
        raise ValueError(f"found {shown(text)}; that is out of range")
    return number


def _row(file: str, row: int) -> str:
    return f"{file}, row {row}"


def _wrong(file: str, message: str) -> FeedsimError:
    return FeedsimError(Fault(_KEY, message=f"{file}: {message}"))


def _tell(faults: Sequence[str]) -> None:
    """Raise the faults of the rows, the first few one by one."""
    if not faults:
        return
    told = [*faults[:MOST_ROWS]]
    if len(faults) > MOST_ROWS:
        told.append(f"and {len(faults) - MOST_ROWS} more faulty rows")
    raise FeedsimError(*(Fault(_KEY, message=message) for message in told))
