"""The inserts of a traced run: as they were drawn, and where their noses are."""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import accumulate

from feedsim.draws.line_draws import Draws, InsertDraw
from feedsim.machine import Machine
from feedsim.records.columns import FeederRecords
from feedsim.records.trace import Trace
from feedsim.running.replay.feed import FeedTravel

__all__ = ["InsertSequence", "nose_of_cycle_mm", "tail_of_cycle_mm"]


class InsertSequence:
    """The inserts of one feeder by number, drawn again as they are asked for.

    Parameters
    ----------
    machine : Machine
        With its settings solved.
    draws : Draws
        Those that the run was made with.
    trace : Trace
        Of the run.
    feeder : int
        From 0.
    """

    def __init__(self, machine: Machine, draws: Draws, *, trace: Trace, feeder: int) -> None:
        self._drawn = draws.inserts(feeder)
        self._draws: list[InsertDraw] = []
        moved = trace.moved[feeder] if trace.moved else ()
        self._from = [number for number, _ in moved]
        further = (mm for _, mm in moved)
        self._firsts = list(accumulate(further, initial=machine.first_nose_mm(feeder)))

    def draw(self, number: int) -> InsertDraw:
        """Return what chance decided of an insert."""
        while len(self._draws) <= number:
            self._draws.append(InsertDraw(*next(self._drawn)))
        return self._draws[number]

    def nose_mm(self, number: int) -> float:
        """Return F, the feed travel (mm) at which a nose is at the insert eye, before its slip.

        The nose of insert 0 starts where the machine says, and each that comes after the feed
        ran without any lies further back by that (model, sections 7 and 14).
        """
        return self._firsts[bisect_right(self._from, number)] + self.draw(number).nose_mm

    def seen_edge_mm(self, number: int) -> float:
        """Return the feed travel (mm) at which the edge that the eye sees passes it."""
        drawn = self.draw(number)
        return self.nose_mm(number) + drawn.seen_edge_mm - drawn.nose_mm


def nose_of_cycle_mm(feed: FeedTravel, rows: FeederRecords, carrier: int) -> float:
    """Return the feed travel (mm) at which the nose engaged for a carrier was at its eye.

    Commanded travel at the closing less the stage position (model, section 8), so before its slip.
    """
    at_closing = feed.command(float(rows.engage_time_s[carrier]))
    return at_closing - float(rows.stage_position_mm[carrier])


def tail_of_cycle_mm(feed: FeedTravel, rows: FeederRecords, carrier: int) -> float:
    """Return the feed travel (mm) at which the tail of that insert is at its eye; NaN: not known.

    Travel at the opening less how far the tail is past the eye then; the slip is in it.
    """
    opens_s = float(rows.opening_time_s[carrier])
    if math.isnan(opens_s):
        return math.nan
    return feed.position(opens_s) - float(rows.tail_mm[carrier])
