"""A whole line that nothing can stop, run feeder by feeder (MODEL.md, section 19)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.compiled.feeder import DONE, IDLE, MORE_INSERTS, PAUSE, SEARCH
from feedsim.compiled.search import take_staged
from feedsim.compiled.state import Mark, Row, eye_of, lane_of, row_type
from feedsim.draws.line_draws import MOST_AT_ONCE, CarrierDraw, InsertDraw, RunDraws
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line
from feedsim.motion.feed import FeedMotion
from feedsim.motion.master import Master
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.derived import demanded_acceleration, divert_by, landing

__all__ = ["Driver", "NeedsEvents", "run_line"]

_PENDING = -1
_AT_HAND = 2048
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


class _Inserts:
    """The inserts of one feeder, drawn as far as they are asked for."""

    def __init__(self, blocks: Iterator[tuple[NDArray[Any], ...]], few: int) -> None:
        self._blocks = blocks
        self.cards = _rows_of(InsertDraw, 0)
        self.more(few)

    def more(self, few: int) -> None:
        """Draw at least ``few`` more."""
        self.cards = _drawn(InsertDraw, self._blocks, few, before=self.cards)


class _Feeder:
    """One feeder of a run."""

    def __init__(self, machine: Machine, number: int, *, draws: RunDraws, driver: Driver) -> None:
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
        self.inserts = _Inserts(draws.insert_blocks(number), 256)
        if machine.start_empty:
            motion.jog(0.0, lane.jog_speed_mm_s)
            lane.phase, lane.limit_mm = SEARCH, motion.position(0.0) + lane.search_limit_mm
        else:
            take_staged(lane, self.inserts.cards)
            lane.staged_at_mm, lane.ready_s = lane.stage_position_mm, 0.0
            lane.at_rest = lane.holds_insert = True
        self.lane, self.feed = driver.flat(lane), driver.flat(motion)

    def run(self, master: Any, marks: Table, rows: Table, *, tell: Progress) -> None:
        """Let happen all that follows from these marks."""
        lane, few = self.lane, max(len(marks), 256)
        end = PAUSE
        while end != DONE:
            end = self.driver.run(lane, self.feed, master, marks, self.inserts.cards, rows)
            if end == MORE_INSERTS:
                self.inserts.more(few)
            elif end == PAUSE:
                tell(int(marks[lane["next_mark"] - 1]["carrier"]))
        if lane["phase"] != IDLE or lane["waiting"]:
            raise NeedsEvents("a feeder waits for ever")
        if self.feed["lacking"]:
            raise NeedsEvents("its feed moves in too many pieces in one cycle")

    def records(
        self,
        master: Any,
        marks: Table,
        *,
        belt: BeltMotion,
        leading_mm: NDArray[Any],
        slip_mm: NDArray[Any],
        tell: Progress,
    ) -> FeederRecords:
        """Run to the end and return the finished columns."""
        rows = _no_rows(marks["lost"])
        self.run(master, marks, rows, tell=tell)
        columns = _columns(rows, _COLUMNS)
        del rows, self.inserts  # there is not room for all of a long run twice
        feeder, lane = self.machine.feeders[self.number], self.lane
        outcome = columns["outcome"]
        outcome[outcome == _PENDING] = Outcome.NOT_STAGED
        landed = landing(
            columns["placement_time_s"],
            feeder,
            belt=belt,
            leading_edge_mm=leading_mm,
            slip_mm=slip_mm,
        )
        demand = demanded_acceleration(
            columns["engage_time_s"],
            columns["opening_time_s"],
            feeder,
            belt=belt,
            encoder=self.machine.encoder,
        )
        books = InsertBooks(
            drawn=int(lane["drawn"]),
            placed=int(lane["placed"]),
            strays=int(lane["strays"]),
            second_halves=int(lane["second_halves"]),
            rejected=0,
            in_feeder=int(lane["holds_insert"]) + int(lane["flying"]),
        )
        return FeederRecords(
            **columns, **landed._asdict(), demanded_acceleration_mm_s2=demand, books=books
        )


_COLUMNS = [name for name in FeederRecords.__slots__ if name in Row.__annotations__]


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
    draws : RunDraws
    carriers : int
        How many come, 1 or more, the warm-up included.
    driver : Driver
    progress : callable, optional
        Told now and then how many carriers have passed the carrier eye.

    Raises
    ------
    NeedsEvents
        If something happens that only the event engine knows.
    """
    feeders = [
        _Feeder(machine, number, draws=draws, driver=driver)
        for number in range(len(machine.feeders))
    ]
    start_s, belt = 0.0, belt_of_line(machine.line)
    cards = _drawn(CarrierDraw, draws.carrier_blocks(), carriers, before=_rows_of(CarrierDraw, 0))
    cards = cards[:carriers]
    if machine.start_empty:
        if (cards["seen_edge_mm"] <= 0.0).any():
            raise NeedsEvents("a carrier is at the eye before the belt starts")
        start_s = _stage_by_jog(feeders, _master(belt_at_rest(), machine, draws))
        belt = belt_of_line(machine.line, start_s=start_s)
        for f in feeders:
            driver.follow(f.feed, belt, start_s)
            f.lane["now_s"] = start_s
    master = driver.flat(_master(belt, machine, draws))
    marks = _rows_of(Mark, carriers)
    eye = driver.flat(eye_of(machine, fastest_mm_s=belt.fastest_mm_s))
    count = driver.see(eye, master, cards, marks)
    if count < 0:
        raise NeedsEvents("a carrier never comes")
    leading, slip = _columns(cards, ["leading_edge_mm", "slip_mm"]).values()
    found = []
    for f in feeders:
        f.lane["marks"] = count
        tell = progress if progress and not f.number else _nothing
        found.append(
            f.records(master, marks, belt=belt, leading_mm=leading, slip_mm=slip, tell=tell)
        )
    return RunRecords(
        warm_up=0,
        start_time_s=start_s,
        carriers=CarrierRecords(
            leading_edge_mm=leading,
            eye_time_s=belt.times_at(leading),
            divert_by_time_s=divert_by(machine.divert, leading, belt=belt),
        ),
        feeders=tuple(found),
    )


def _stage_by_jog(feeders: list[_Feeder], master: Master) -> float:
    """Stage each feeder's first insert; return when the last of them is done (s)."""
    marks, rows = _rows_of(Mark, 0), _rows_of(Row, 0)
    for f in feeders:
        f.run(f.driver.flat(master), marks, rows, tell=_nothing)
    return max(float(f.lane["now_s"]) for f in feeders)


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


def _rows_of(kind: type, n: int) -> Table:
    return np.zeros(n, row_type(kind)).view(np.recarray)


def _drawn(
    kind: type, blocks: Iterator[tuple[NDArray[Any], ...]], few: int, *, before: Table
) -> Table:
    """Return what was drawn before and at least ``few`` more, a card a row."""
    end, enough = len(before), len(before) + few
    cards = _rows_of(kind, enough + MOST_AT_ONCE)
    cards[:end] = before
    while end < enough:
        block = next(blocks)
        begin, end = end, end + len(block[0])
        for name, column in zip(cards.dtype.names, block, strict=True):
            cards[name][begin:end] = column
    return cards[:end]


def _columns(rows: Table, names: list[str]) -> dict[str, NDArray[Any]]:
    """Return fields of rows as columns, so many rows at a time as stay at hand."""
    columns = {name: np.empty(len(rows), rows.dtype[name]) for name in names}
    for begin in range(0, len(rows), _AT_HAND):
        some = slice(begin, begin + _AT_HAND)
        for name, column in columns.items():
            column[some] = rows[name][some]
    return columns


def _no_rows(lost: NDArray[np.int8]) -> Table:
    """Return the rows of a feeder before the first mark, with what the carrier eye has lost."""
    nothing = np.zeros(1, row_type(Row))
    for name in Row.__annotations__:
        if nothing.dtype[name] == np.float64:
            nothing[name] = math.nan
    nothing["insert"] = -1
    rows = np.repeat(nothing, len(lost)).view(np.recarray)
    rows["outcome"] = lost
    return rows


def _nothing(_: int) -> None:
    return None
