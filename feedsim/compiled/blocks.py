"""Blocks of carriers whose records are handed over together."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Places
from feedsim.compiled.state import Row, row_type
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.derived import Landing, demanded_acceleration, divert_by, landing

_PENDING = -1
_AT_HAND = 8192
_MOST_WAITING = 2
"""Blocks that wait for open rows."""
_DEMANDED = "demanded_acceleration_mm_s2"
_COLUMNS = [name for name in FeederRecords.__slots__ if name in Row.__annotations__]


class _Columns:
    """Rows of a number of carriers as columns; ``first``: number of the first carrier."""

    def __init__(self, first: int, count: int) -> None:
        self.first, self.end = first, first + count
        row = row_type(Row)
        self.of = {name: np.empty(count, row[name]) for name in _COLUMNS}

    def take(self, numbers: Places, rows: NDArray[Any], *, before: int) -> None:
        """Take over rows by the numbers of their carriers, all behind ``before`` in a row."""
        low, high = np.searchsorted(numbers, (self.first, self.end)).tolist()
        if low == high:
            return
        odd = slice(low, max(low, min(before, high)))
        even = slice(odd.stop, high)
        if odd.start < odd.stop:
            for name, column in self.of.items():
                column[numbers[odd] - self.first] = rows[name][odd]
        if even.start < even.stop:
            begin = int(numbers[even.start]) - self.first
            place = slice(begin, begin + even.stop - even.start)
            for name, column in self.of.items():
                column[place] = rows[name][even]


class Block:
    """Carriers whose records are handed over together."""

    def __init__(self, first: int, count: int, feeders: int) -> None:
        self.first, self.end = first, first + count
        self.leading_mm, self.slip_mm = np.empty(count), np.empty(count)
        self.feeders = [_Columns(first, count) for _ in range(feeders)]

    def row(self, number: int) -> Block:
        """Return a copy of one carrier's row, to be handed over on its own."""
        at = number - self.first
        alone, place = Block(number, 1, len(self.feeders)), slice(at, at + 1)
        alone.leading_mm[:], alone.slip_mm[:] = self.leading_mm[place], self.slip_mm[place]
        for to, columns in zip(alone.feeders, self.feeders, strict=True):
            for name, column in columns.of.items():
                to.of[name][:] = column[place]
        return alone

    def records(self, machine: Machine, belt: BeltMotion, *, start_s: float) -> RunRecords:
        """Return the finished columns, all but the books."""
        carriers = CarrierRecords(
            leading_edge_mm=self.leading_mm,
            eye_time_s=belt.times_at(self.leading_mm),
            divert_by_time_s=divert_by(machine.divert, self.leading_mm, belt=belt),
        )
        feeders = tuple(
            self._finished(number, machine, belt=belt) for number in range(len(self.feeders))
        )
        return RunRecords(warm_up=0, start_time_s=start_s, carriers=carriers, feeders=feeders)

    def _finished(self, number: int, machine: Machine, *, belt: BeltMotion) -> FeederRecords:
        columns, feeder = self.feeders[number].of, machine.feeders[number]
        outcome, n = columns["outcome"], self.end - self.first
        outcome[outcome == _PENDING] = Outcome.NOT_STAGED
        derived: dict[str, Any] = {name: np.empty(n) for name in (*Landing._fields, _DEMANDED)}
        for begin in range(0, n, _AT_HAND):
            some = slice(begin, begin + _AT_HAND)
            landed = landing(
                columns["placement_time_s"][some],
                feeder,
                belt=belt,
                leading_edge_mm=self.leading_mm[some],
                slip_mm=self.slip_mm[some],
            )
            for name, column in landed._asdict().items():
                derived[name][some] = column
            derived[_DEMANDED][some] = demanded_acceleration(
                columns["engage_time_s"][some],
                columns["opening_time_s"][some],
                feeder,
                belt=belt,
                encoder=machine.encoder,
            )
        return FeederRecords(**columns, **derived, books=InsertBooks(0, 0, 0, 0, 0, 0))


def finished_blocks(
    held: deque[Block], late: list[Block], still: set[int], *, end: int
) -> list[Block]:
    """Remove and return the blocks ready to hand over; their open rows become late ones."""
    done = [row for row in late if row.first not in still]
    late[:] = [row for row in late if row.first in still]
    while held and end >= held[0].end:
        left = sorted(number for number in still if held[0].first <= number < held[0].end)
        if left and len(held) <= _MOST_WAITING:
            break
        late += [held[0].row(number) for number in left]
        done.append(held.popleft())
    return done
