"""The cells of a log as numbers: whole blocks at once, or cell by cell if one is faulty."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from operator import itemgetter

import numpy as np

from feedsim.arrays import Floats, Ints
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.cell_reader import CellReader, Quick, quick_read
from feedsim.logs.log import Remark
from feedsim.logs.names import Head, Signal, signal_of
from feedsim.scenario.table_file import Table
from feedsim.scenario.wording import shown

_MOST_SIGNALS = 200


@dataclass(slots=True)
class Cells:
    """Columns of samples: ``columns[0]`` times or sample numbers, then the signals; NaN: blank."""

    rows: Ints
    columns: list[Floats]
    first_day: str = ""
    remarks: list[Remark] = field(default_factory=list)


@dataclass(slots=True)
class EventCells:
    """Rows of events: time or sample number, number of the signal, value."""

    rows: Ints
    times: Floats
    which: Ints
    values: Floats
    signals: tuple[Signal, ...]
    others: tuple[str, ...]
    first_day: str = ""
    remarks: list[Remark] = field(default_factory=list)


def read_samples(table: Table, head: Head) -> Cells:
    """Read the columns of a log of samples.

    Raises FeedsimError with the first faulty cells, each with row and column.
    """
    places = [head.time.place, *(place for place, _ in head.signals)]
    if quick := quick_read(table, head, places):
        quick.columns[0] *= _factor(head)
        return Cells(quick.rows, quick.columns, quick.of_day.first_day)
    reader = CellReader(table, head.time)
    numbers, flat = array("q"), array("d")
    pick: Callable[[list[str]], Sequence[str]] = itemgetter(*places)  # two or more: a tuple
    of_day = head.time.kind == "of_day"
    for block in reader.blocks():
        numbers.extend([row for row, _ in block])
        cells = [pick(cells) for _, cells in block]
        try:
            if of_day:
                cells = [(repr(reader.of_day.read(one[0])), *one[1:]) for one in cells]
            flat.extend(list(map(float, reader.plain_texts(chain.from_iterable(cells)))))
        except ValueError:
            picked = ((row, pick(whole)) for row, whole in block)
            flat.extend(v for row, one in picked for v in _one_by_one(reader, head, row, one))
            if reader.more:
                reader.tell()
    values = np.frombuffer(flat, dtype=np.float64).reshape(-1, len(places))
    rows = np.frombuffer(numbers, dtype=np.int64)
    columns = [np.ascontiguousarray(values[:, i]) for i in range(len(places))]
    columns[0] *= _factor(head)
    found = Cells(rows, columns, reader.of_day.first_day, reader.remarks)
    _finite(reader, table, head, found)
    return found


def _one_by_one(reader: CellReader, head: Head, row: int, cells: Sequence[str]) -> Iterator[float]:
    yield reader.when(cells[0], row)
    for text, (_, signal) in zip(cells[1:], head.signals, strict=True):
        yield reader.number(text, row=row, column=signal.name, level=signal.quantity is None)


def _finite(reader: CellReader, table: Table, head: Head, found: Cells) -> None:
    """Refuse numbers that Python reads but a log cannot mean: nan, inf, 1_000."""
    infinite = [bool(np.isinf(column).any()) for column in found.columns]
    if not any(infinite) and not _odd_texts(table):
        return
    wanted = set(found.rows.tolist())
    for row, whole in table.rows():
        if row in wanted:
            picked = [whole[head.time.place], *(whole[place] for place, _ in head.signals)]
            for _ in _one_by_one(reader, head, row, picked):
                pass
    reader.tell()


def _odd_texts(table: Table) -> bool:
    """Tell whether "nan" or an underscore stands anywhere below the head."""
    first = table.head[0] if table.head else ""
    below = table.text.find("\n", max(table.text.find(first), 0))
    text = table.text
    return any(text.find(odd, below) >= 0 for odd in ("_", "nan", "NaN", "NAN"))


def read_events(table: Table, head: Head, feeders: Sequence[str]) -> EventCells:
    """Read a log of events; raises as :func:`read_samples`."""
    time, name_at, value_at = head.time.place, head.signal, head.value
    reader = CellReader(table, head.time)
    if quick := quick_read(table, head, [time, name_at, value_at]):
        return _quick_events(quick, head, _Signals(reader, feeders))
    rows, times, which, values = array("q"), array("d"), array("q"), array("d")
    signals = _Signals(reader, feeders)
    for block in reader.blocks():
        for row, cells in block:
            number = signals.number(cells[name_at], row)
            if number >= 0:
                rows.append(row)
                times.append(reader.when(cells[time], row))
                which.append(number)
                values.append(_value(reader, cells[value_at], row, signals.found[number]))
        if reader.more:
            reader.tell()
    return EventCells(
        np.frombuffer(rows, dtype=np.int64),
        np.frombuffer(times, dtype=np.float64) * _factor(head),
        np.frombuffer(which, dtype=np.int64),
        np.frombuffer(values, dtype=np.float64),
        tuple(signals.found),
        tuple(signals.others),
        reader.of_day.first_day,
        reader.remarks,
    )


def _factor(head: Head) -> float:
    return head.time.factor if head.time.kind == "number" else 1.0


def _value(reader: CellReader, text: str, row: int, signal: Signal) -> float:
    level = signal.quantity is None
    value = reader.number(text, row=row, column="value", level=level)
    if not text.strip():
        message = f"is blank; {signal.name} needs a value there"
        reader.fault(Fault(reader.at(row, "value"), message=message))
    return value


def _quick_events(quick: Quick, head: Head, signals: _Signals) -> EventCells:
    """Convert events that were read at once, numbering their signals."""
    names = quick.columns[1].tolist()
    first = sorted((names.index(name), name) for name in set(names))
    numbers = {name: signals.number(name.decode(), int(quick.rows[place])) for place, name in first}
    which = np.fromiter((numbers[name] for name in names), dtype=np.int64, count=len(names))
    kept = which >= 0
    return EventCells(
        quick.rows[kept],
        quick.columns[0][kept] * _factor(head),
        which[kept],
        quick.columns[2][kept],
        tuple(signals.found),
        tuple(signals.others),
        quick.of_day.first_day,
    )


class _Signals:
    """The signals that events name, numbered as they come."""

    def __init__(self, reader: CellReader, feeders: Sequence[str]) -> None:
        self._reader, self._feeders = reader, feeders
        self._known: dict[str, int] = {}
        self.found: list[Signal] = []
        self.others: list[str] = []

    def number(self, name: str, row: int) -> int:
        """Return the number of a signal; −1 if it is not read."""
        number = self._known.get(name)
        if number is None:
            self._known[name] = number = self._new(name.strip(), row)
        return number

    def _new(self, name: str, row: int) -> int:
        at = self._reader.at(row, "signal")
        if len(self._known) > _MOST_SIGNALS:
            message = f"names more than {_MOST_SIGNALS} signals; that is no log of events"
            raise FeedsimError(Fault(at, message=message))
        try:
            signal = signal_of(name, self._feeders)
        except ValueError as error:
            raise FeedsimError(Fault(at, message=f"{shown(name)} {error}")) from None
        if signal is None:
            self.others.append(shown(name))
            return -1
        for number, other in enumerate(self.found):
            if (other.key, other.factor) == (signal.key, signal.factor):
                return number
        self.found.append(signal)
        return len(self.found) - 1
