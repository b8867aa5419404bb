"""A whole line that nothing can stop, run feeder by feeder (MODEL.md, section 19)."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from feedsim.compiled.blocks import Block, finished_blocks
from feedsim.compiled.driven_feeder import DrivenFeeder, Passed
from feedsim.compiled.driver import Columns, Driver, NeedsEvents, blank, rows_of
from feedsim.compiled.state import Mark, eye_of
from feedsim.draws.line_draws import CarrierDraw, RunDraws
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line
from feedsim.motion.master import Master
from feedsim.records.columns import InsertBooks, RunRecords

Progress = Callable[[int], None]


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
        Number of carriers, 1 or more, warm-up included.
    progress : callable, optional
        Called now and then with the number of carriers past the carrier eye.

    Raises
    ------
    NeedsEvents
        If something happens that only the event engine models.
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

    Yielded blocks are not kept. A row may stay open for the whole run, such as that of an insert
    that lies in the feed while all marks are lost: its block does not wait, and the row comes again
    by itself once finished.

    Parameters
    ----------
    machine, draws, carriers, driver, progress
        As in :func:`run_line`.
    block : int
        Carriers in a block, except the last one, which also has the books of the whole run.
    """
    feeders = [
        DrivenFeeder(machine, number, draws=draws, driver=driver, carriers=carriers)
        for number in range(len(machine.feeders))
    ]
    start_s, belt = 0.0, belt_of_line(machine.line)
    if machine.start_empty:
        at_rest = driver.flat(_master(belt_at_rest(), machine, draws))
        start_s = max(f.stage_by_jog(at_rest) for f in feeders)
        belt = belt_of_line(machine.line, start_s=start_s)
        for f in feeders:
            driver.follow(f.feed, belt, start_s)
            f.feeder["now_s"] = start_s
    master = driver.flat(_master(belt, machine, draws))
    eye = driver.flat(eye_of(machine))
    held: deque[Block] = deque()
    late: list[Block] = []
    drawn = draws.carrier_blocks(expected=carriers)
    for first, cards in _cut(drawn, carriers=carriers, block=block):
        if first % block == 0:
            held.append(Block(first, min(block, carriers - first), len(feeders)))
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
        done = finished_blocks(held, late, still, end=end)
        for some in done:
            records = some.records(machine, belt, start_s=start_s)
            if end == carriers and some is done[-1]:
                records = _with_books(records, [f.books() for f in feeders])
            yield some.first, records


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
) -> Passed:
    rows = rows_of(CarrierDraw, cards)
    if waits and (rows["seen_edge_mm"] <= 0.0).any():
        raise NeedsEvents("a carrier is at the eye before the belt starts")
    marks = blank(Mark, len(rows))
    count = driver.see(eye, master, rows, marks)
    if count < 0:
        raise NeedsEvents("a carrier never comes")
    return Passed(first, marks, count, marks.view(np.ndarray)["lost"])


def _master(belt: BeltMotion, machine: Machine, draws: RunDraws) -> Master:
    phases = draws.phases()
    return Master(
        belt,
        machine.encoder,
        controller=machine.controller,
        phase=phases.encoder,
        ticks_phase_s=phases.ticks_s,
    )
