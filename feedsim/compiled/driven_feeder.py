"""One feeder of a run, and the rows of its present carriers."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.compiled.driver import Driver, NeedsEvents, Table, blank, rows_of
from feedsim.compiled.feeder import IDLE, MORE_INSERTS, SEARCH
from feedsim.compiled.search import take_staged
from feedsim.compiled.state import Mark, Row, feeder_row, row_type
from feedsim.draws.line_draws import InsertDraw, RunDraws
from feedsim.machine import Machine
from feedsim.motion.belt import belt_at_rest, belt_of_line
from feedsim.motion.feed import FeedMotion
from feedsim.records.columns import InsertBooks


class Passed(NamedTuple):
    """Carriers that the eye has seen: the number of the first, the marks known, those lost."""

    first: int
    marks: Table
    known: int
    lost: NDArray[np.int8]


class DrivenFeeder:
    """One feeder of a run.

    It works on the rows of the present carriers: first open ones, such as of an insert on its way,
    then those of the carriers that came last.
    """

    def __init__(
        self, machine: Machine, number: int, *, draws: RunDraws, driver: Driver, carriers: int
    ) -> None:
        self.number, self.driver, self.machine = number, driver, machine
        of, line = machine.feeders[number], machine.line
        belt = belt_at_rest() if machine.start_empty else belt_of_line(line)
        motion = FeedMotion(
            belt,
            scale_error=machine.encoder.scale_error,
            ratio=of.settings.speed_ratio,
            servo=of.servo,
        )
        feeder = feeder_row(machine, number)
        self.blocks = draws.insert_blocks(number, expected=carriers + carriers // 16)
        self.cards = rows_of(InsertDraw, next(self.blocks))
        if machine.start_empty:
            motion.jog(0.0, feeder.jog_speed_mm_s)
            feeder.phase, feeder.limit_mm = SEARCH, motion.position(0.0) + feeder.search_limit_mm
        else:
            take_staged(feeder, self.cards)
            feeder.staged_at_mm, feeder.ready_s = feeder.stage_position_mm, 0.0
            feeder.at_rest = feeder.holds_insert = True
        self.feeder, self.feed = driver.flat(feeder), driver.flat(motion)
        self.rows = _blank_rows(0)
        self.numbers = np.empty(0, np.intp)

    def stage_by_jog(self, master: Any) -> float:
        """Stage the first insert before any carrier comes; return when that is done (s)."""
        self._go_on(master, blank(Mark, 0))
        self._check()
        return float(self.feeder["now_s"])

    def run(self, master: Any, seen: Passed, *, last: bool) -> int:
        """Run all events that follow from carriers that the eye has seen, up to the next ones.

        Return how many rows belong to earlier carriers.
        """
        before = self._move_on(seen)
        feeder = self.feeder
        feeder["marks"], feeder["next_mark"], feeder["last_marks"] = seen.known, 0, last
        feeder["first_row"] = before
        self._go_on(master, seen.marks)
        self._check()
        return before

    def _check(self) -> None:
        feeder = self.feeder
        if feeder["last_marks"] and (feeder["phase"] != IDLE or feeder["waiting"]):
            raise NeedsEvents("a feeder waits for ever")
        if self.feed["lacking"]:
            raise NeedsEvents("its feed moves in too many pieces in one cycle")

    def _go_on(self, master: Any, marks: Table) -> None:
        feeder, end = self.feeder, MORE_INSERTS
        while end == MORE_INSERTS:
            rows = self.rows
            end = self.driver.run(feeder, self.feed, master, marks, self.cards, rows)
            if end == MORE_INSERTS:
                feeder["first_card"] += len(self.cards)
                self.cards = rows_of(InsertDraw, next(self.blocks))

    def _move_on(self, seen: Passed) -> int:
        """Keep the open rows, and append blank ones."""
        feeder, old = self.feeder, self.rows.view(np.ndarray)
        waiting, flying = (
            old[int(feeder[at]) : int(feeder[at]) + int(feeder[many])]
            for at, many in (("head", "waiting"), ("flight", "flying"))
        )
        places = [waiting["memory"], flying["flight"]]
        if feeder["phase"] != IDLE and feeder["carrier"] >= 0:
            places.append(np.array([feeder["carrier"]]))
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
        feeder["head"] = feeder["flight"] = 0
        if feeder["phase"] != IDLE and feeder["carrier"] >= 0:
            feeder["carrier"] = int(np.searchsorted(still, feeder["carrier"]))
        come = np.arange(seen.first, seen.first + len(seen.lost))
        self.numbers = np.concatenate((self.numbers[still], come))
        return before

    def open_rows(self) -> list[int]:
        """Return the numbers of the carriers whose rows may still change."""
        feeder, rows = self.feeder, self.rows.view(np.ndarray)
        head, flight = int(feeder["head"]), int(feeder["flight"])
        places = [*rows["memory"][head : head + int(feeder["waiting"])].tolist()]
        places += rows["flight"][flight : flight + int(feeder["flying"])].tolist()
        if feeder["phase"] != IDLE and feeder["carrier"] >= 0:
            places.append(int(feeder["carrier"]))
        return [int(self.numbers[place]) for place in places]

    def books(self) -> InsertBooks:
        """Return where the inserts have gone so far."""
        feeder = self.feeder
        return InsertBooks(
            drawn=int(feeder["drawn"]),
            placed=int(feeder["placed"]),
            strays=int(feeder["strays"]),
            second_halves=int(feeder["second_halves"]),
            rejected=0,
            in_feeder=int(feeder["holds_insert"]) + int(feeder["flying"]),
        )


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
