"""The insert eye on a line that may stop: clearing, dirt, jams, an empty magazine."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator
from typing import Any

from simpy import Event

from feedsim.machine import FaultKind, Hazard
from feedsim.motion.feed import feed_time_at
from feedsim.simulation.clock import Clock
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.input_level import output_on
from feedsim.simulation.insert_eye import Drawn, Fate, Found, InsertEye, Search
from feedsim.simulation.watch import Watch


class SupervisedInsertEye(InsertEye):
    """Photo-eye on the insert path, with what feeds it.

    Nothing that passes from ``dirty_from_s`` to ``dirty_until_s`` is seen. ``empty``: the magazine
    is. ``on_warning`` is called when it reaches its warning, ``on_switch`` with the time (s) when
    the output switches on.
    """

    watch: Watch

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
        super().__init__(
            clock,
            conveyor,
            state=state,
            inserts=inserts,
            first_nose_mm=first_nose_mm,
            fastest_mm_s=fastest_mm_s,
        )
        self._inserts = state.machine.inserts
        self._endless = not self._inserts.magazine
        self._left = float(self._inserts.magazine)
        self.dirty_from_s = math.inf
        self.dirty_until_s = -math.inf
        self._stuck_from: int | None = None
        self.empty = False
        self.on_warning: Callable[[], None] = lambda: None
        self.on_switch: Callable[[float], None] | None = None
        if not self._endless:
            self._take()

    # -- the magazine ----------------------------------------------------------------

    def advance(self) -> None:
        """Go on to the next insert, out of the magazine."""
        super().advance()
        if not self._endless:
            self._take()

    def _take(self) -> None:
        """Take the insert that comes next out of the magazine, if there is one left."""
        if self._left < 1:
            self.empty = True
        elif self.coming.drawn:
            before = self._left
            self._left -= 1.0 if math.isnan(self.coming.double_mm) else min(2.0, self._left)
            if self._left <= self._inserts.warning < before:
                self.on_warning()

    def refill(self) -> None:
        """Fill the magazine; if it was empty, the next insert comes a gap before the eye."""
        self._left = float(self._inserts.magazine)
        if self.empty:
            self.empty = False
            self._come_anew()
            self._take()

    def withhold(self) -> None:
        """Stop the singulator from drawing inserts; those that have reached the eye stay."""
        nose = self._first_nose_mm + min(self.coming.nose_mm, self.coming.seen_edge_mm)
        come = nose <= self._state.feed.position(self._clock.now)
        self._stuck_from = self._number + int(come)

    def release(self) -> None:
        """Let the singulator draw again."""
        if self._stuck_from is not None:
            self._stuck_from = None
            self._come_anew()

    @property
    def _lacks(self) -> bool:
        """Whether nothing more comes."""
        return self.empty or (self._stuck_from is not None and self._number >= self._stuck_from)

    def lacking(self, t: float) -> str:
        """Return why no insert comes at time ``t`` (s); empty if one does."""
        if self.empty:
            return "magazine_empty"
        if self._lacks:
            return FaultKind.NO_INSERT.value
        return FaultKind.EYE_DIRTY.value if self.dirty_from_s <= t < self.dirty_until_s else ""

    def _come_anew(self) -> None:
        """Put the next insert at least a nominal gap before the eye."""
        earliest = self._state.feed.position(self._clock.now) + self._inserts.gap_mm
        further = max(0.0, earliest - self._first_nose_mm - self.coming.nose_mm)
        self._first_nose_mm += further
        self.moved.append((self._number, further))

    # -- searching -------------------------------------------------------------------

    def search(self, search: Search) -> Generator[Event, Any, Found | None]:
        """Wait for the next insert to switch the eye; None at the search limit.

        What the double check calls a double on a jog is taken out, and the search goes on.
        """
        if search.carrier < 0 and self.watch.stops_doubles:
            return self._search_singles(search)
        return super().search(search)

    def _search_singles(self, search: Search) -> Generator[Event, Any, Found | None]:
        while True:
            found = yield from super().search(search)
            if found is None or not found.insert.called_double:
                return found
            self._reject_on_jog(found)

    def _reject_on_jog(self, found: Found) -> None:
        self._state.columns.rejected += 1
        if self._state.tracer is not None:
            now = self._clock.now
            self._state.trace(now, "insert_eye", "rejected", insert=found.number)

    def next_event(self, search: Search) -> tuple[float, Fate]:
        """Return what happens next at the eye: nothing, if no insert comes or dirt hides it."""
        if (
            self.coming.drawn
            and not self.empty
            and self._stuck_from is None
            and self.dirty_until_s == -math.inf
        ):
            return super().next_event(search)
        feed, limit = self._state.feed, search.limit_mm
        while not self._lacks:
            if self.coming.drawn or self._first_nose_mm + self.coming.nose_mm > limit:
                return self._seen_or_not(*super().next_event(search))
            self.advance()
        return feed.time_at(limit), Fate.BEYOND_LIMIT

    def _seen_or_not(self, t: float, fate: Fate) -> tuple[float, Fate]:
        """Let dirt hide what the eye would see."""
        if fate in {Fate.MISSED, Fate.BEYOND_LIMIT} or self.dirty_until_s == -math.inf:
            return t, fate
        passes = self._state.feed.time_at(self._first_nose_mm + self.coming.seen_edge_mm)
        if self.dirty_from_s <= passes < self.dirty_until_s:
            return passes, Fate.MISSED
        return t, fate

    def capture(self, t: float, search: Search) -> Found:
        """Store a travel, and notify the watch that the output is on."""
        if self.on_switch is not None:
            self.on_switch(t)
        return super().capture(t, search)

    def stray(self, search: Search, *, holds: bool) -> None:
        """Let an insert go past unseen, and check it for hazards."""
        insert = self._number
        super().stray(search, holds=holds)
        if search.carrier >= 0:
            self.watch.hazard(Hazard.STRAY_INSERT, insert=insert, carrier=search.carrier)

    # -- stopped ---------------------------------------------------------------------

    def stop(self) -> None:
        """Discard an edge that was captured but is not known yet."""
        if self._known_event is not None and self._known_event.callbacks is not None:
            self._known_event.callbacks.clear()

    def clear(self, feed_mm: float) -> int:
        """Take out all inserts that have passed the eye by a feed travel (mm); return how many."""
        cleared = 0
        self._decision = None
        while not self._lacks:
            nose, seen, _, _, _, drawn, missed, double, _ = self._next
            edge = min(nose, seen) if drawn and not missed else nose
            if self._first_nose_mm + edge > feed_mm:
                break
            if drawn:
                if not missed:
                    self._hold()
                self._count_drawn(double)
                self._state.columns.rejected += 1
                cleared += 1
            self.advance()
        return cleared

    def output_on(self, t: float) -> bool:
        """Return whether the output is on at time ``t`` (s), given the edges processed so far."""
        master = self._conveyor.master
        return output_on(self._level, self._output, feed_time_at, self._state.feed, master, t)
