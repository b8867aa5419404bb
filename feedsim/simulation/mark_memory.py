"""The program's memory of marks at one feeder, and its action when a point comes."""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

from simpy import Event, Interrupt

from feedsim.machine import SAME_INSTANT_S, SAME_TRAVEL_MM, Controller, Feeder
from feedsim.motion.master import units_beyond
from feedsim.records.outcome import Outcome
from feedsim.simulation.clock import PLAN_AGAIN, Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.staging_clutch import StagingClutch

_UNKNOWN = (Outcome.NOT_SEEN, Outcome.MERGED)


class Mark(NamedTuple):
    """A carrier as the program knows it, with its captured master reading (units)."""

    carrier: int
    reading: float


class MarkMemory(Part):
    """First in, first out; acts on the head at its engage point under the present settings."""

    def __init__(
        self,
        clock: Clock,
        conveyor: Conveyor,
        *,
        state: FeederState,
        clutch: StagingClutch,
        reach_mm: float,
    ) -> None:
        super().__init__(clock)
        self._conveyor = conveyor
        self._state = state
        self._clutch = clutch
        machine: Feeder = state.machine
        self.settings = machine.settings
        self._controller: Controller = state.controller
        self._engages_late = (
            self._controller.late_mark_engages or self._controller.not_ready_engages
        )
        self._room_mm = reach_mm
        self._marks: deque[tuple[Mark, float, bool]] = deque()
        self._waits_for_feeder = False
        self._due_s = math.inf
        self._order = Order.MARK.of(state.number)
        self._idle: Event | None = None
        state.on_change = self.feeder_changed

    # -- arriving marks --------------------------------------------------------------

    def offer(self, mark: Mark, t: float) -> None:
        """Take a mark that becomes known at scan tick ``t`` (s), or lose it."""
        if len(self._marks) >= self._controller.mark_memory:
            self.miss(mark.carrier, Outcome.MARK_MEMORY_FULL, t=t)
            return
        late = self._past(mark, t) > SAME_TRAVEL_MM
        if late and not self._controller.late_mark_engages:
            self.miss(mark.carrier, Outcome.LATE_MARK, t=t)
            return
        self._marks.append((mark, t, late))
        if self._idle is not None:
            self._due_s = self._next_action()
            self.clock.date(self._idle, self._due_s, self._order)
            self._idle = None

    def miss(self, carrier: int, outcome: Outcome, *, t: float) -> None:
        """Note a carrier that gets no insert here; the program knows unless the eye missed it."""
        if outcome not in _UNKNOWN:
            self._state.columns.missed_time_s[carrier] = t
        if self._state.tracer is not None:
            self._state.trace(t, "program", outcome.cause, carrier=carrier)
        self._state.miss(carrier, outcome)

    def feeder_changed(self) -> None:
        """Plan again: the feeder is ready, has given up, or has a new stage estimate."""
        if self._marks and (self._waits_for_feeder or self.settings.stage_correction):
            self.plan_again()

    # -- acting ----------------------------------------------------------------------

    def run(self) -> Steps:
        """Act on one mark after another."""
        clock, order = self.clock, self._order
        while True:
            if self._marks:
                self._due_s = self._next_action()
                event = clock.at(self._due_s, order)
            else:
                event = self._idle = clock.undated()  # the next mark to come in dates it
            try:
                yield event
            except Interrupt as call:
                self._idle = None
                if call.cause is not PLAN_AGAIN:
                    raise
                continue
            self._act(self._due_s)

    def _distance(self) -> float:
        return self.settings.engage_distance_mm + self._clutch.correction_mm

    def _next_action(self) -> float:
        mark, known, late = self._marks[0]
        master, reading = self._conveyor.master, mark.reading
        not_before = max(known, self.clock.now)
        if late and not self._waits_for_feeder:
            return master.motion_tick(not_before)  # once past, a point stays past
        if self._waits_for_feeder:
            if self._clutch.settled(not_before):
                return master.motion_tick(not_before)  # once past, a point stays past
            reading += units_beyond(master, self._room_mm)  # until the carrier is out of reach
        return master.first_action(
            reading, self._distance(), lead=self.settings.engage_lead_s, not_before=not_before
        )

    def _act(self, t: float) -> None:
        mark, _, late = self._marks[0]
        clutch = self._clutch
        ready = clutch.ready_time_s
        if t < ready <= t + SAME_INSTANT_S and not clutch.at_rest:
            # ready at this very instant, but the clutch's own event is still to come
            self._marks[0] = (mark, ready, late)
            return
        is_ready = ready <= t + SAME_INSTANT_S
        if clutch.failed:
            self._drop(Outcome.NO_INSERT, t)
        elif not (is_ready or self._controller.not_ready_engages):
            self._drop(Outcome.NOT_STAGED, t)
        elif self._engages_late and self._past(mark, t) > self._room_mm + SAME_TRAVEL_MM:
            waited = self._waits_for_feeder or not is_ready
            self._drop(Outcome.NOT_STAGED if waited else Outcome.LATE_MARK, t)
        elif is_ready:
            self._engage(t, late=late or self._waits_for_feeder)
        elif self._waits_for_feeder:  # out of reach, up to the rounding of a long run's travel
            self._drop(Outcome.NOT_STAGED, t)
        else:
            self._waits_for_feeder = True

    def _engage(self, t: float, *, late: bool) -> None:
        mark = self._pop()
        self._clutch.engage(t, carrier=mark.carrier, late=late)

    def _past(self, mark: Mark, t: float) -> float:
        return self._conveyor.master.past(
            mark.reading, self._distance(), lead=self.settings.engage_lead_s, t=t
        )

    def _drop(self, outcome: Outcome, t: float) -> None:
        mark = self._pop()
        self.miss(mark.carrier, outcome, t=t)

    def _pop(self) -> Mark:
        self._waits_for_feeder = False
        return self._marks.popleft()[0]
