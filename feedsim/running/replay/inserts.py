"""The inserts of a traced run: their draws, and where their noses are."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate, count, takewhile

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Floats
from feedsim.draws.line_draws import Draws, InsertDraw
from feedsim.machine import Machine
from feedsim.motion.capture import still_on
from feedsim.records.columns import FeederRecords
from feedsim.records.trace import Trace, TraceEvent
from feedsim.running.replay.eyes import OnInterval, TracedRun
from feedsim.running.replay.feed import FeedTravel

_UPSTREAM_PITCHES = 1.2  # of the insert path, before the insert eye, that are looked at


class InsertSequence:
    """The inserts of one feeder by number, drawn again on demand.

    Parameters
    ----------
    machine : Machine
        With its settings solved.
    draws : Draws
        The draws of the run.
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
        """Return the draw of an insert."""
        while len(self._draws) <= number:
            self._draws.append(InsertDraw(*next(self._drawn)))
        return self._draws[number]

    def nose_mm(self, number: int) -> float:
        """Return F, the feed travel (mm) at which a nose is at the insert eye, before its slip.

        The nose of insert 0 starts where the machine says; inserts that come after the feed ran
        without any lie further back by that travel (model, sections 7 and 14).
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

    Travel at the opening less the tail's distance past the eye then, slip included.
    """
    opens_s = float(rows.opening_time_s[carrier])
    if math.isnan(opens_s):
        return math.nan
    return feed.position(opens_s) - float(rows.tail_mm[carrier])


@dataclass(frozen=True, slots=True)
class ReplayedInserts:
    """The inserts of one feeder, from number 0 to the last that comes near its eye.

    Attributes
    ----------
    nose_mm : float64 array, shape (n,)
        F: feed travel at which each nose is at the insert eye, before any slip.
    carrier : int32 array, shape (n,)
        Carrier that each was engaged for, −1 for none.
    closes_s, lands_s : float64 array, shape (n,)
        When the clutch closed for it (and it slipped); when it landed. NaN: never.
    gone_s : float64 array, shape (n,)
        When it was taken out of the feeder, at a stop of the line. NaN: never.
    stray : bool array, shape (n,)
        It went past its eye without being taken.
    """

    cards: list[InsertDraw]
    nose_mm: Floats
    carrier: NDArray[np.int32]
    closes_s: Floats
    lands_s: Floats
    gone_s: Floats
    stray: Bools


def inserts_of(
    run: TracedRun, feeder: int, *, draws: Draws, feed: FeedTravel, until_s: float
) -> ReplayedInserts:
    """Return the inserts of one feeder up to a time (s)."""
    machine, rows = run.machine.feeders[feeder], run.records.feeders[feeder]
    upstream = _UPSTREAM_PITCHES * machine.inserts.pitch_mm
    farthest = feed.position(until_s) + upstream - run.machine.first_nose_mm(feeder)
    inserts = InsertSequence(run.machine, draws, trace=run.trace, feeder=feeder)
    cards = list(takewhile(lambda card: card.nose_mm <= farthest, map(inserts.draw, count())))
    carrier = np.full(len(cards), -1, dtype=np.int32)
    closes, lands = np.full(len(cards), math.nan), np.full(len(cards), math.nan)
    engaged = np.flatnonzero((rows.insert >= 0) & (rows.insert < len(cards)))
    numbers = rows.insert[engaged]
    carrier[numbers] = engaged
    closes[numbers] = rows.engage_time_s[engaged]
    lands[numbers] = rows.placement_time_s[engaged]
    noses = np.array([inserts.nose_mm(number) for number in range(len(cards))])
    stray = np.zeros(len(cards), dtype=np.bool_)
    for event in _at_the_eye(run.trace, feeder, "stray"):
        if event.insert < len(cards):
            stray[event.insert] = True
    found = ReplayedInserts(
        cards, noses, carrier, closes, lands, np.full(len(cards), math.nan), stray
    )
    _take_out(found, run.trace, feeder, feed)
    return found


def _at_the_eye(trace: Trace, feeder: int, name: str) -> list[TraceEvent]:
    part = f"feeder.{feeder}.insert_eye"
    return [e for e in trace.events if e.part == part and e.event == name]


def _take_out(inserts: ReplayedInserts, trace: Trace, feeder: int, feed: FeedTravel) -> None:
    """Note when inserts were taken out: in a clearing of the line, or singly.

    A clearing takes all that have reached the eye and are neither placed nor kept.
    """
    gone = inserts.gone_s
    with np.errstate(invalid="ignore"):
        for event in trace.events:
            if (event.part, event.event) != ("line", "cleared"):
                continue
            t = event.time_s
            come = inserts.nose_mm <= feed.position(t)
            out = come & ~(inserts.lands_s <= t) & ~(inserts.closes_s > t) & np.isnan(gone)
            gone[out] = t
    for event in _at_the_eye(trace, feeder, "rejected"):
        if event.insert < len(gone):
            gone[event.insert] = event.time_s


def insert_eye_runs(
    machine: Machine, feeder: int, inserts: ReplayedInserts, feed: FeedTravel
) -> list[OnInterval]:
    """Return the runs of an insert eye's output.

    A missed insert does not hold it; one that merges holds it on longer; one staged at the start
    holds it from the start. The slip delays the tail if the insert was engaged before (model,
    section 4).
    """
    off = machine.feeders[feeder].eye.off_response_s
    found: list[OnInterval] = []
    ends_s = -math.inf
    for number, card in enumerate(inserts.cards):
        staged_at_start = number == 0 and not machine.start_empty
        if not staged_at_start and (card.missed or not card.drawn):
            continue
        nose = float(inserts.nose_mm[number])
        passes = feed.time_at(nose - card.nose_mm + card.seen_edge_mm)
        tail = nose + card.length_mm
        closes = float(inserts.closes_s[number])
        if not math.isnan(closes) and feed.position(closes) < tail:
            tail += card.slip_mm
        merges = still_on(passes, ends_s) and not staged_at_start
        ends_s = min(feed.time_at(tail), float(np.nan_to_num(inserts.gone_s[number], nan=math.inf)))
        ends_s += off
        if staged_at_start:
            found.append(OnInterval(number, 0.0, ends_s if tail > 0.0 else 0.0))
        elif merges:
            found[-1] = found[-1]._replace(to_s=max(ends_s, found[-1].to_s))
        else:
            found.append(OnInterval(number, passes + card.eye_delay_s, ends_s))
    return found
