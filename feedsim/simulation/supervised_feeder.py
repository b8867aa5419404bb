"""The parts of one feeder on a supervised line: what they do when it stops."""

from __future__ import annotations

import math

from feedsim.machine import SAME_TRAVEL_MM
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Rule
from feedsim.simulation.clock import Order, Steps
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.insert_eye import Found
from feedsim.simulation.mark_memory import Mark, MarkMemory
from feedsim.simulation.servo import Servo
from feedsim.simulation.staging_clutch import StagingClutch
from feedsim.simulation.supervised_insert_eye import SupervisedInsertEye
from feedsim.simulation.watch import Watch


class SupervisedState(FeederState):
    """One feeder, its missed carriers watched."""

    watch: Watch

    def miss(self, carrier: int, outcome: Outcome) -> None:
        """Note that a carrier goes by without an insert."""
        super().miss(carrier, outcome)
        self.watch.missed(carrier, outcome)

    def lose(self, carrier: int, *, insert: int, t: float) -> None:
        """Note that the insert engaged for a carrier will not be placed."""
        self.columns.outcome[carrier] = Outcome.LINE_STOP
        self.columns.rejected += 1
        self.columns.missed_time_s[carrier] = t
        if self.tracer is not None:
            cause = Outcome.LINE_STOP.cause
            self.trace(t, "program", cause, carrier=carrier, insert=insert)
        self.watch.missed(carrier, Outcome.LINE_STOP)


class SupervisedServo(Servo):
    """The feed servo; a stop takes the inserts that have not landed away from it."""

    watch: Watch

    def land(self, t: float) -> None:
        """Land an insert, and watch how it lands."""
        landing = self._flights[0]
        super().land(t)
        self.watch.landed(t, carrier=landing.carrier, insert=landing.insert)

    def abandon(self) -> list[tuple[int, int]]:
        """End, and return carrier and insert of each that has been engaged and not landed."""
        self.halt()
        gone = [(flight.carrier, flight.insert) for flight in self._flights]
        self._flights.clear()
        return gone


class SupervisedMemory(MarkMemory):
    """The memory of marks; on a stopped line it keeps marks, or loses them."""

    stopped = False
    keeps = True

    def offer(self, mark: Mark, t: float) -> None:
        """Take a mark that becomes known at scan tick ``t`` (s), or lose it."""
        if not self.stopped:
            super().offer(mark, t)
        elif not self.keeps:
            self.miss(mark.carrier, Outcome.LINE_STOP, t=t)
        elif len(self._marks) >= self._controller.mark_memory:
            self.miss(mark.carrier, Outcome.MARK_MEMORY_FULL, t=t)
        else:
            self._marks.append((mark, t, False))

    def lose_all(self, t: float) -> None:
        """Lose every mark in hand."""
        while self._marks:
            self._drop(Outcome.LINE_STOP, t)

    def stop(self, t: float, *, keeps: bool) -> None:
        """Halt at time ``t`` (s), losing the marks in hand; ``keeps`` those that come now."""
        self.halt()
        self._idle = None
        self.stopped, self.keeps = True, keeps
        self.lose_all(t)

    def resume(self, t: float) -> None:
        """Go on at time ``t`` (s) with the kept marks whose engage points lie ahead."""
        kept = list(self._marks)
        self._marks.clear()
        for mark, known, late in kept:
            if self._past(mark, t) > SAME_TRAVEL_MM:
                self.miss(mark.carrier, Outcome.LINE_STOP, t=t)
            else:
                self._marks.append((mark, known, late))
        self.stopped = False
        self.start()


class SupervisedClutch(StagingClutch):
    """The staging clutch; a stop opens it at once, and recovery stages anew.

    ``keeps_insert``: while the line is stopped, an insert was staged before, and stays.
    """

    watch: Watch
    _eye: SupervisedInsertEye
    keeps_insert = False
    _fed: Found | None = None
    _jogs = False

    # -- watched ---------------------------------------------------------------------

    def engage(self, t: float, *, carrier: int, late: bool) -> None:
        """Close the clutch at motion tick ``t`` (s) for a carrier."""
        staged, stage_mm = self._staged, self._stage_position_mm
        super().engage(t, carrier=carrier, late=late)
        self._fed = None
        if staged is not None:
            self.watch.closed(
                t,
                carrier=carrier,
                insert=staged.number,
                stage_mm=stage_mm,
                double=staged.insert.double_mm >= 0.0,
            )

    def open_clutch(self, t: float) -> None:
        """Open the clutch, and watch the tail."""
        super().open_clutch(t)
        carrier, rows = self._search.carrier, self._state.columns
        self.watch.opened(
            t, carrier=carrier, insert=rows.insert[carrier], tail_mm=rows.tail_mm[carrier]
        )

    def stage(self, found: Found) -> Steps:
        """Stage an insert, unless a double stops the line."""
        self._fed = found
        if self.watch.stops_doubles and found.insert.called_double:
            return self._stop_for_double(found)
        return super().stage(found)

    def _stop_for_double(self, found: Found) -> Steps:
        order = Order.INSERT_KNOWN.of(self._state.number)
        yield from self.clock.until(lambda: found.known_s, order)
        cause = "false_alarm" if math.isnan(found.insert.double_mm) else "double"
        self.watch.trip(Rule.DOUBLE_FOUND, cause=cause, carrier=self._search.carrier)
        yield from self.clock.wait(self.clock.event())

    def end_search(self) -> Steps:
        """End a search, or stop the line by it."""
        if self.watch.rules.no_insert:
            self.watch.trip(Rule.NO_INSERT, cause=self.lacking(), carrier=self._search.carrier)
            yield from self.clock.wait(self.clock.event())
        yield from super().end_search()

    def stage_by_jog(self) -> Steps:
        """Stage by jog, and note that it jogs."""
        self._jogs = True
        yield from super().stage_by_jog()
        self._jogs = False

    def lacking(self) -> str:
        """Return why nothing is staged or on its way there; empty if there is no such cause."""
        if self._staged is not None or self._fed is not None:
            return ""
        return self._eye.lacking(self.clock.now)

    # -- stopped ---------------------------------------------------------------------

    def stop(self, t: float, *, spoilt: bool) -> None:
        """Open and halt at time ``t`` (s), in any state; ``spoilt``: nothing is kept."""
        self.halt()
        state = self._state
        if self.closed:
            state.feed.open(t + self._delay_s, self._ramp_out)
            if state.tracer is not None:
                state.trace(t, "clutch", "opens", carrier=self._search.carrier)
        elif self._jogs:
            state.feed.jog(t, 0.0)
        self._eye.stop()
        self.keeps_insert = self._staged is not None and self.at_rest and not spoilt
        if not self.keeps_insert:
            state.columns.rejected += self._staged is not None or self._fed is not None
            self._staged = None
            self.correction_mm = 0.0
        self._fed = None
        self.closed = self._jogs = self.at_rest = False
        self.ready_time_s = math.inf

    def recover(self) -> Steps:
        """Clear what is half fed and stage by jog, unless an insert is staged."""
        now, feed = self.clock.now, self._state.feed
        self.failed = False
        if self.keeps_insert:
            return
        feed.jog(now, 0.0)  # ends a ramp in travel, which the resting belt has left undone
        self._eye.clear(feed.position(now))
        self.at_rest = False
        yield from self.stage_by_jog()

    def resume(self, t: float) -> None:
        """Go on at time ``t`` (s), staged or given up."""
        if not self.failed:
            self.ready_time_s = t
        self.at_rest = True
        self.process = self.clock.process(self._cycles())
