"""A whole line that nothing can stop, run feeder by feeder (MODEL.md, section 19)."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Places
from feedsim.compiled.feeder import IDLE, MORE_INSERTS, SEARCH
from feedsim.compiled.search import take_staged
from feedsim.compiled.state import Mark, Row, eye_of, lane_of, row_type
from feedsim.draws.line_draws import CarrierDraw, InsertDraw, RunDraws
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line
from feedsim.motion.feed import FeedMotion
from feedsim.motion.master import Master
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.derived import Landing, demanded_acceleration, divert_by, landing

_PENDING = -1
_AT_HAND = 8192
_MOST_WAITING = 2
"""Blocks that wait for rows that are open still."""
_DEMANDED = "demanded_acceleration_mm_s2"
Columns = tuple[NDArray[Any], ...]
Table = Any
"""Rows of one of the classes of :mod:`feedsim.compiled.state`, or of cards."""
Progress = Callable[[int], None]


class NeedsEvents(Exception):  # noqa: N818 - not a fault: the event engine does it
    """Something happens that this engine does not know; told why."""


class Driver(NamedTuple):
    """The functions of this stage, compiled or not.

    Attributes
    ----------
    see, run : callable
        :func:`~feedsim.compiled.carriers.see_carriers` and
        :func:`~feedsim.compiled.feeder.run_feeder`.
    flat : callable
        What a state, a feed or a master is for them.
    follow : callable
        Has such a feed that rests go on along another belt from a time (s).
    """

    see: Callable[..., int]
    run: Callable[..., int]
    flat: Callable[[Any], Any]
    follow: Callable[[Any, BeltMotion, float], None]


class _Columns:
    """Rows of so many carriers as columns; ``first`` is the number of the first carrier."""

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


class _Passed(NamedTuple):
    """Carriers that the eye has seen: the number of the first, so many marks known, those lost."""

    first: int
    marks: Table
    known: int
    lost: NDArray[np.int8]


class _Feeder:
    """One feeder of a run.

    It works on the rows of the carriers at hand: those that are open still, such as of an insert on
    its way, and behind them those of the carriers that have come last.
    """

    def __init__(
        self, machine: Machine, number: int, *, draws: RunDraws, driver: Driver, carriers: int
    ) -> None:
        self.number, self.driver, self.machine = number, driver, machine
        feeder, line = machine.feeders[number], machine.line
        belt = belt_at_rest() if machine.start_empty else belt_of_line(line)
        motion = FeedMotion(
            belt,
            scale_error=machine.encoder.scale_error,
            ratio=feeder.settings.speed_ratio,
            servo=feeder.servo,
        )
        lane = lane_of(machine, number, fastest_mm_s=_fastest(machine))
        self.blocks = draws.insert_blocks(number, expected=carriers + carriers // 16)
        self.cards = _rows_of(InsertDraw, next(self.blocks))
        if machine.start_empty:
            motion.jog(0.0, lane.jog_speed_mm_s)
            lane.phase, lane.limit_mm = SEARCH, motion.position(0.0) + lane.search_limit_mm
        else:
            take_staged(lane, self.cards)
            lane.staged_at_mm, lane.ready_s = lane.stage_position_mm, 0.0
            lane.at_rest = lane.holds_insert = True
        self.lane, self.feed = driver.flat(lane), driver.flat(motion)
        self.rows = _blank_rows(0)
        self.numbers = np.empty(0, np.intp)

    def stage_by_jog(self, master: Any) -> float:
        """Stage the first insert before any carrier comes; return when that is done (s)."""
        self._go_on(master, _blank(Mark, 0))
        self._check()
        return float(self.lane["now_s"])

    def run(self, master: Any, seen: _Passed, *, last: bool) -> int:
        """Let happen all that follows from carriers that the eye has seen, up to the next ones.

        Return how many rows are not those of these carriers but of earlier ones.
        """
        before = self._move_on(seen)
        lane = self.lane
        lane["marks"], lane["next_mark"], lane["last_marks"] = seen.known, 0, last
        lane["first_row"] = before
        self._go_on(master, seen.marks)
        self._check()
        return before

    def _check(self) -> None:
        lane = self.lane
        if lane["last_marks"] and (lane["phase"] != IDLE or lane["waiting"]):
            raise NeedsEvents("a feeder waits for ever")
        if self.feed["lacking"]:
            raise NeedsEvents("its feed moves in too many pieces in one cycle")

    def _go_on(self, master: Any, marks: Table) -> None:
        lane, end = self.lane, MORE_INSERTS
        while end == MORE_INSERTS:
            rows = self.rows
            end = self.driver.run(lane, self.feed, master, marks, self.cards, rows)
            if end == MORE_INSERTS:
                lane["first_card"] += len(self.cards)
                self.cards = _rows_of(InsertDraw, next(self.blocks))

    def _move_on(self, seen: _Passed) -> int:
        """Keep the rows that are open still, and put blank ones behind them."""
        lane, old = self.lane, self.rows.view(np.ndarray)
        waiting, flying = (
            old[int(lane[at]) : int(lane[at]) + int(lane[many])]
            for at, many in (("head", "waiting"), ("flight", "flying"))
        )
        places = [waiting["memory"], flying["flight"]]
        if lane["phase"] != IDLE and lane["carrier"] >= 0:
            places.append(np.array([lane["carrier"]]))
        still = np.unique(np.concatenate(places))
        before = len(still)
        self.rows = _blank_rows(before + len(seen.lost))
        rows = self.rows.view(np.ndarray)
        rows[:before] = old[still]
        rows["outcome"][before:] = seen.lost
        for queue, of_row, others in (
            (waiting, "memory", ("memory_reading", "memory_known_s", "memory_late")),
            (flying, "flight", ("target_mm",)),
        ):
            rows[of_row][: len(queue)] = np.searchsorted(still, queue[of_row])
            for name in others:
                rows[name][: len(queue)] = queue[name]
        lane["head"] = lane["flight"] = 0
        if lane["phase"] != IDLE and lane["carrier"] >= 0:
            lane["carrier"] = int(np.searchsorted(still, lane["carrier"]))
        come = np.arange(seen.first, seen.first + len(seen.lost))
        self.numbers = np.concatenate((self.numbers[still], come))
        return before

    def open_rows(self) -> list[int]:
        """Return the numbers of the carriers whose rows may change still."""
        lane, rows = self.lane, self.rows.view(np.ndarray)
        head, flight = int(lane["head"]), int(lane["flight"])
        places = [*rows["memory"][head : head + int(lane["waiting"])].tolist()]
        places += rows["flight"][flight : flight + int(lane["flying"])].tolist()
        if lane["phase"] != IDLE and lane["carrier"] >= 0:
            places.append(int(lane["carrier"]))
        return [int(self.numbers[place]) for place in places]

    def books(self) -> InsertBooks:
        """Return where the inserts have gone so far."""
        lane = self.lane
        return InsertBooks(
            drawn=int(lane["drawn"]),
            placed=int(lane["placed"]),
            strays=int(lane["strays"]),
            second_halves=int(lane["second_halves"]),
            rejected=0,
            in_feeder=int(lane["holds_insert"]) + int(lane["flying"]),
        )


_COLUMNS = [name for name in FeederRecords.__slots__ if name in Row.__annotations__]


class _Block:
    """Carriers whose records are handed over together."""

    def __init__(self, first: int, count: int, feeders: int) -> None:
        self.first, self.end = first, first + count
        self.leading_mm, self.slip_mm = np.empty(count), np.empty(count)
        self.feeders = [_Columns(first, count) for _ in range(feeders)]

    def row(self, number: int) -> _Block:
        """Return a copy of one carrier's row, to be handed over on its own."""
        at = number - self.first
        alone, place = _Block(number, 1, len(self.feeders)), slice(at, at + 1)
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


def run_line(
    machine: Machine,
    draws: RunDraws,
    *,
    carriers: int,
    driver: Driver,
    progress: Progress | None = None,
) -> RunRecords:
    """Run a line that nothing can stop.

    Parameters
    ----------
    machine : Machine
        Without supervision.
    carriers : int
        How many come, 1 or more, the warm-up included.
    progress : callable, optional
        Told now and then how many carriers have passed the carrier eye.

    Raises
    ------
    NeedsEvents
        If something happens that only the event engine knows.
    """
    whole = run_blocks(
        machine, draws, carriers=carriers, block=carriers, driver=driver, progress=progress
    )
    return next(whole)[1]


def run_blocks(
    machine: Machine,
    draws: RunDraws,
    *,
    carriers: int,
    block: int,
    driver: Driver,
    progress: Progress | None = None,
) -> Iterator[tuple[int, RunRecords]]:
    """Yield the same records block after block, each with the number of its first carrier.

    What has been yielded is not kept. A row may stay open for the whole run, such as that of an
    insert that lies in the feed while all marks are lost: its block does not wait for it for ever,
    and the row comes once more on its own when it is finished.

    Parameters
    ----------
    machine, draws, carriers, driver, progress
        As in :func:`run_line`.
    block : int
        Carriers in a block, but for the last one. The books of a feeder are those of the whole run,
        in the last block, and empty before.
    """
    feeders = [
        _Feeder(machine, number, draws=draws, driver=driver, carriers=carriers)
        for number in range(len(machine.feeders))
    ]
    start_s, belt = 0.0, belt_of_line(machine.line)
    if machine.start_empty:
        at_rest = driver.flat(_master(belt_at_rest(), machine, draws))
        start_s = max(f.stage_by_jog(at_rest) for f in feeders)
        belt = belt_of_line(machine.line, start_s=start_s)
        for f in feeders:
            driver.follow(f.feed, belt, start_s)
            f.lane["now_s"] = start_s
    master = driver.flat(_master(belt, machine, draws))
    eye = driver.flat(eye_of(machine, fastest_mm_s=belt.fastest_mm_s))
    held: deque[_Block] = deque()
    late: list[_Block] = []
    drawn = draws.carrier_blocks(expected=carriers)
    for first, cards in _cut(drawn, carriers=carriers, block=block):
        if first % block == 0:
            held.append(_Block(first, min(block, carriers - first), len(feeders)))
        seen = _see(driver, eye, master, first=first, cards=cards, waits=machine.start_empty)
        end = first + len(seen.lost)
        place = slice(first - held[-1].first, end - held[-1].first)
        held[-1].leading_mm[place], held[-1].slip_mm[place] = cards[0], cards[3]
        for f in feeders:
            before = f.run(master, seen, last=end == carriers)
            for some in (*late, *held):
                some.feeders[f.number].take(f.numbers, f.rows.view(np.ndarray), before=before)
        if progress is not None:
            progress(end)
        still = {number for f in feeders for number in f.open_rows()} if end < carriers else set()
        done = _done(held, late, still, end=end)
        for some in done:
            records = some.records(machine, belt, start_s=start_s)
            if end == carriers and some is done[-1]:
                records = _with_books(records, [f.books() for f in feeders])
            yield some.first, records


def _done(held: deque[_Block], late: list[_Block], still: set[int], *, end: int) -> list[_Block]:
    """Take out what can be handed over; rows of it that are open still are late ones."""
    done = [row for row in late if row.first not in still]
    late[:] = [row for row in late if row.first in still]
    while held and end >= held[0].end:
        left = sorted(number for number in still if held[0].first <= number < held[0].end)
        if left and len(held) <= _MOST_WAITING:
            break
        late += [held[0].row(number) for number in left]
        done.append(held.popleft())
    return done


def _with_books(records: RunRecords, books: list[InsertBooks]) -> RunRecords:
    pairs = zip(records.feeders, books, strict=True)
    return replace(records, feeders=tuple(replace(f, books=b) for f, b in pairs))


def _cut(drawn: Iterator[Columns], *, carriers: int, block: int) -> Iterator[tuple[int, Columns]]:
    """Yield cards as they were drawn together, with the first one's number, cut at each block."""
    first = 0
    for columns in drawn:
        taken = 0
        while taken < len(columns[0]):
            end = taken + min(carriers - first, block - first % block)
            some = tuple(column[taken:end] for column in columns)
            yield first, some
            taken, first = end, first + len(some[0])
            if first == carriers:
                return


def _see(
    driver: Driver, eye: Any, master: Any, *, first: int, cards: Columns, waits: bool
) -> _Passed:
    rows = _rows_of(CarrierDraw, cards)
    if waits and (rows["seen_edge_mm"] <= 0.0).any():
        raise NeedsEvents("a carrier is at the eye before the belt starts")
    marks = _blank(Mark, len(rows))
    count = driver.see(eye, master, rows, marks)
    if count < 0:
        raise NeedsEvents("a carrier never comes")
    return _Passed(first, marks, count, marks.view(np.ndarray)["lost"])


def _fastest(machine: Machine) -> float:
    return max([machine.line.speed_mm_s, *(v for _, v in machine.line.profile)])


def _master(belt: BeltMotion, machine: Machine, draws: RunDraws) -> Master:
    phases = draws.phases()
    return Master(
        belt,
        machine.encoder,
        controller=machine.controller,
        phase=phases.encoder,
        ticks_phase_s=phases.ticks_s,
    )


def _blank(kind: type, n: int) -> Table:
    return np.zeros(n, row_type(kind)).view(np.recarray)


def _rows_of(kind: type, columns: Columns) -> Table:
    """Return cards, a row each, of columns in the order of their fields."""
    rows = np.empty(len(columns[0]), row_type(kind))
    for name, column in zip(rows.dtype.names or (), columns, strict=True):
        rows[name] = column
    return rows.view(np.recarray)


def _blank_rows(n: int) -> Table:
    """Return the rows of a feeder before anything has happened."""
    return np.repeat(_BLANK, n).view(np.recarray)


def _blank_row() -> NDArray[Any]:
    nothing = np.zeros(1, row_type(Row))
    for name in Row.__annotations__:
        if nothing.dtype[name] == np.float64:
            nothing[name] = math.nan
    nothing["insert"] = -1
    return nothing


_BLANK = _blank_row()
