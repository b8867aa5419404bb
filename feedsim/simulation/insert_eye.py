"""The insert eye of one feeder: finds the next insert for a search."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from enum import Enum, auto
from typing import Any, NamedTuple

from simpy import Event, Interrupt

from feedsim.draws.line_draws import InsertDraw
from feedsim.machine import SAME_INSTANT_S, SAME_TRAVEL_MM
from feedsim.motion.capture import merges, output_of
from feedsim.motion.feed import feed_time_at
from feedsim.motion.master import Master
from feedsim.simulation.clock import PLAN_AGAIN, Clock, Order
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.input_level import (
    Decision,
    EyeVerdict,
    decide,
    level_of,
    level_slipped,
    level_stands,
    level_take,
)

Drawn = tuple[float, float, float, float, float, bool, bool, float, bool]
"""The fields of an :class:`~feedsim.draws.line_draws.InsertDraw`, in their order."""


class Search(NamedTuple):
    """A search for the next insert: its start, its carrier and its limit of feed travel."""

    since_s: float
    carrier: int
    limit_mm: float


class Found(NamedTuple):
    """An insert whose leading edge has switched the eye.

    ``nose_mm``: feed travel at which its nose is at the eye. ``reading``: latched master
    reading (NaN for a scanned eye: see :meth:`InsertEye.reading`). ``captured_s``,
    ``known_s``: when the travel is captured, and the edge known to the program.
    """

    number: int
    nose_mm: float
    drawn: Drawn
    reading: float
    captured_s: float
    known_s: float

    @property
    def insert(self) -> InsertDraw:
        """The draw of the insert."""
        return InsertDraw._make(self.drawn)


class Fate(Enum):
    """Fate of the next insert at the eye."""

    SEEN = auto()
    MISSED = auto()
    MERGED = auto()
    TOO_SHORT = auto()  # on for less than the filter asks, or between two scans
    IGNORED = auto()  # it switches while nobody searches, before or after
    BEYOND_LIMIT = auto()  # the search ends before it comes


_FATES = {
    EyeVerdict.SWITCHES: Fate.SEEN,
    EyeVerdict.MERGES: Fate.MERGED,
    EyeVerdict.TOO_SHORT: Fate.TOO_SHORT,
}


class InsertEye:
    """Photo-eye on the insert path.

    Its steps run inside the sequence that searches, so that halting the sequence halts the search.
    ``inserts``: :class:`InsertDraw` fields, in order. ``first_nose_mm``: feed travel at which the
    nose of insert 0 is at the eye (below 0: it is past it). ``fastest_mm_s``: the highest feed
    speed. ``moved``, only on a line that may stop: an insert number and a feed travel (mm) by which
    it and all later ones were delayed.
    """

    def __init__(
        self,
        clock: Clock,
        conveyor: Conveyor,
        *,
        state: FeederState,
        inserts: Iterator[Drawn],
        first_nose_mm: float,
        fastest_mm_s: float,
    ) -> None:
        self._clock = clock
        self._conveyor = conveyor
        self._state = state
        self._source = inserts
        self._first_nose_mm = first_nose_mm
        self.moved: list[tuple[int, float]] = []
        self._eye = state.machine.eye
        self._output = output_of(self._eye, fastest_mm_s=fastest_mm_s)
        self._order = Order.INSERT_EYE.of(state.number)
        self._next = next(inserts)
        self._number = 0
        self._held_number = -1
        self._known_event: Event | None = None
        self._level = level_of(self._eye)
        self._decision: Decision | None = None

    @property
    def coming(self) -> InsertDraw:
        """The next insert."""
        return InsertDraw._make(self._next)

    def take_staged(self) -> Found:
        """Return insert 0 as staged at the start: seen, its nose past the eye."""
        found = Found(0, self._first_nose_mm, self._next, math.nan, 0.0, 0.0)
        self._hold()
        self._count_drawn(found.insert.double_mm)
        self.advance()
        return found

    def slipped(self, number: int, slip_mm: float, *, feed_mm: float) -> None:
        """Insert ``number`` fell back when the clutch closed, and its tail with it."""
        if number == self._held_number and feed_mm < self._output.held_mm:
            if self._level is not None:
                level_slipped(self._level, self._output.held_mm, slip_mm)
            self._output.held_mm += slip_mm

    def search(self, search: Search) -> Generator[Event, Any, Found | None]:
        """Wait for the next insert to switch the eye; None at the search limit."""
        while True:
            t, fate = self.next_event(search)
            try:
                yield self._clock.at(t, self._order)
            except Interrupt as call:
                if call.cause is not PLAN_AGAIN:
                    raise
                continue
            if fate is Fate.SEEN:
                return self.capture(t, search)
            if fate is Fate.BEYOND_LIMIT:
                return None
            self.stray(search, holds=fate is not Fate.MISSED)

    def next_event(self, search: Search) -> tuple[float, Fate]:
        """Return what happens next at the eye, and when (s)."""
        feed, last = self._state.feed, search.limit_mm + SAME_TRAVEL_MM
        while True:
            nose, seen, _, delay, _, drawn, missed, _, _ = self._next
            edge = self._first_nose_mm + (seen if drawn and not missed else nose)
            if edge > last:
                return feed.time_at(search.limit_mm), Fate.BEYOND_LIMIT
            if drawn:
                break
            self.advance()
        passes = feed.time_at(edge)
        if missed:
            return passes, Fate.MISSED
        if self._level is not None:
            switches, fate = self._filtered(passes, delay)
        elif merges(self._output, feed_time_at, feed, edge, passes_s=passes):
            return passes, Fate.MERGED
        else:
            switches, fate = passes + delay, Fate.SEEN
        if fate is Fate.SEEN and switches < search.since_s - SAME_INSTANT_S:
            return switches, Fate.IGNORED
        if switches < math.inf and feed.position(switches) > last:
            return passes, fate if fate is not Fate.SEEN else Fate.IGNORED
        return switches, fate

    def _filtered(self, passes_s: float, delay_s: float) -> tuple[float, Fate]:
        """Return when the next insert's fate is decided (s), and how, behind a filter or polled."""
        if passes_s == math.inf or self._level is None:
            return passes_s, Fate.SEEN
        nose_mm, _, length_mm, *_ = self._next
        tail_mm = self._first_nose_mm + nose_mm + length_mm
        self._decision = decision = decide(
            self._level,
            self._output,
            feed_time_at,
            self._state.feed,
            self._conveyor.master,
            passes_s=passes_s,
            switches_s=passes_s + delay_s,
            tail_mm=tail_mm,
        )
        return decision.t, _FATES[decision.seen]

    def _trace_level(self, carrier: int) -> None:
        """Note when output and input came on for an insert, behind a filter or polled."""
        if self._decision is not None and self._state.tracer is not None:
            for event, t in self._decision.came_on():
                self._state.trace(t, "insert_eye", event, carrier=carrier, insert=self._number)

    def capture(self, t: float, search: Search) -> Found:
        """Store the travel of the insert that has switched the eye."""
        state = self._state
        self._trace_level(search.carrier)
        drawn = self._next
        number, nose = self._number, self._first_nose_mm + self.coming.nose_mm
        self._hold()
        self._count_drawn(self.coming.double_mm)
        self.advance()
        master = self._conveyor.master
        known = master.scan_tick(t)
        if state.tracer is not None:
            self._trace_capture(t, number, known=known, search=search)
        if self._eye.scanned:
            return Found(number, nose, drawn, math.nan, known, known)
        return Found(number, nose, drawn, master.reading(t), t, known)

    def reading(self, found: Found, master: Master) -> float:
        """Return the reading that the program has from the scan tick of a capture on (units)."""
        return master.reading(found.known_s) if self._eye.scanned else found.reading

    def _trace_capture(self, t: float, number: int, *, known: float, search: Search) -> None:
        """Note a capture now, and at its scan tick that the program knows it."""
        state, carrier = self._state, search.carrier
        state.trace(t, "insert_eye", "switches", carrier=carrier, insert=number)

        def tell(_: Event) -> None:
            state.trace(known, "insert_eye", "known", carrier=carrier, insert=number)

        self._known_event = self._clock.at(known, Order.INSERT_KNOWN.of(state.number))
        self._known_event.callbacks = [tell]

    def stray(self, search: Search, *, holds: bool) -> None:
        """Let an insert go past unseen."""
        state, rows = self._state, self._state.columns
        if holds:
            self._trace_level(search.carrier)
            self._hold()
        self._count_drawn(self.coming.double_mm)
        rows.stray_total += 1
        if search.carrier >= 0:
            rows.strays[search.carrier] += 1
        if state.tracer is not None:
            now = self._clock.now
            state.trace(now, "insert_eye", "stray", carrier=search.carrier, insert=self._number)
        self.advance()

    def _hold(self) -> None:
        nose_mm, _, length_mm, *_ = self._next
        self._output.held_mm = tail_mm = self._first_nose_mm + nose_mm + length_mm
        self._held_number = self._number
        if self._level is not None:
            if self._decision is None:  # staged at the start, or cleared by hand
                level_stands(self._level, tail_mm)
            else:
                level_take(self._level, self._decision, tail_mm)
            self._decision = None

    def _count_drawn(self, double_mm: float) -> None:
        rows = self._state.columns
        rows.drawn += 1
        if not math.isnan(double_mm):
            rows.drawn += 1
            rows.second_halves += 1

    def advance(self) -> None:
        """Go on to the next insert."""
        self._next = next(self._source)
        self._number += 1
