"""Records and traces as CSV: a line per carrier and feeder, a line per event."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import fields
from functools import partial
from itertools import chain, repeat
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from feedsim.files.new_files import Content
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace, TraceEvent

__all__ = ["CARRIER_COLUMNS", "EVENT_COLUMNS", "carriers_csv", "events_csv"]

_ELSEWHERE = ("books", "missed_time_s")  # in results.json, and in products.csv
_FEEDER_COLUMNS = tuple(f.name for f in fields(FeederRecords) if f.name not in _ELSEWHERE)
CARRIER_COLUMNS = ("carrier", "feeder", "leading_edge_mm", "eye_time_s", *_FEEDER_COLUMNS)
"""Heads of ``carriers.csv``; the meaning of the columns is in :mod:`feedsim.records.columns`."""

EVENT_COLUMNS = TraceEvent._fields
"""Heads of ``events.csv``; their meaning is in :mod:`feedsim.records.trace`."""

_ROWS_AT_ONCE = 4096
_NO_INSERT = -1
_CAUSES = {int(outcome): outcome.cause for outcome in Outcome}


def carriers_csv(records: RunRecords, *, only: NDArray[np.intp] | None = None) -> Content:
    """Return what writes ``carriers.csv``: a row per counted carrier and feeder.

    With ``only``, numbers of carriers in rising order, those alone have rows.

    Rows are in order of carrier, then feeder (its number, from 0). Carriers of the warm-up
    have no row; the others keep the number that traces and figures use, which counts the
    warm-up: the first row is that of carrier ``warm_up``. A cell is empty where nothing of
    the kind happened. Floats are the shortest text that reads back as the same float; yes
    and no are 1 and 0; the outcome is its word, such as ``late_mark``.
    """
    if only is None:
        only = np.arange(records.warm_up, len(records.carriers.eye_time_s))
    return partial(_write_carriers, records, only)


def events_csv(trace: Trace) -> Content:
    """Return what writes ``events.csv``: a row per event, in order of time.

    Cells that an event has no number for are empty.
    """
    return partial(_write_events, trace)


def _write_carriers(records: RunRecords, only: NDArray[np.intp], file: BinaryIO) -> None:
    file.write(_head(CARRIER_COLUMNS))
    carriers = records.carriers
    for first in range(0, len(only), _ROWS_AT_ONCE):
        rows = only[first : first + _ROWS_AT_ONCE]
        shared = [_cells(carriers.leading_edge_mm[rows]), _cells(carriers.eye_time_s[rows])]
        by_feeder = [
            _feeder_lines(feeder, number, rows=rows, shared=shared)
            for number, feeder in enumerate(records.feeders)
        ]
        file.write(_text(chain.from_iterable(zip(*by_feeder, strict=True))))


def _feeder_lines(
    feeder: FeederRecords, number: int, *, rows: NDArray[np.intp], shared: list[list[str]]
) -> Iterator[str]:
    """Make the lines of one feeder for some carriers, NaN still written as such."""
    columns: list[Iterable[str]] = [map(str, rows.tolist()), repeat(str(number))]
    columns += shared
    for name in _FEEDER_COLUMNS:
        column = getattr(feeder, name)[rows]
        if name == "outcome":
            columns.append([_CAUSES[value] for value in column.tolist()])
        elif name == "insert":
            columns.append(["" if i == _NO_INSERT else str(i) for i in column.tolist()])
        else:
            columns.append(_cells(column))
    return map(",".join, zip(*columns, strict=False))


def _cells(column: NDArray[np.generic]) -> list[str]:
    return list(map(repr, column.tolist()))


def _write_events(trace: Trace, file: BinaryIO) -> None:
    file.write(_head(EVENT_COLUMNS))
    events = trace.events
    file.writelines(
        _text(map(_event_line, events[first : first + _ROWS_AT_ONCE]))
        for first in range(0, len(events), _ROWS_AT_ONCE)
    )


def _event_line(event: TraceEvent) -> str:
    return ",".join(
        (
            repr(event.time_s),
            event.part,
            event.event,
            "" if event.carrier < 0 else str(event.carrier),
            "" if event.insert < 0 else str(event.insert),
            _number(event.belt_mm),
            _number(event.feed_mm),
        )
    )


def _number(value: float) -> str:
    return "" if math.isnan(value) else repr(float(value))


def _head(names: Iterable[str]) -> bytes:
    return (",".join(names) + "\n").encode("ascii")


def _text(lines: Iterable[str]) -> bytes:
    """Join lines to bytes; a cell that says ``nan`` becomes empty (no word here begins so)."""
    text = "\n".join(lines)
    return (text.replace(",nan", ",") + "\n").encode("ascii")
