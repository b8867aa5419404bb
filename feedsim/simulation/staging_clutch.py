"""The staging clutch of one feeder and the sequence that drives it."""

from __future__ import annotations

import math

from feedsim.machine import SAME_INSTANT_S, SAME_TRAVEL_MM
from feedsim.motion.capture import eye_delay
from feedsim.motion.feed import Ramp
from feedsim.motion.staged import jog_end, jog_stop, ready_at, stage_correction
from feedsim.simulation.clock import Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.insert_eye import Found, InsertEye, Search
from feedsim.simulation.servo import Flight, Servo


class StagingClutch(Part):
    """Closed, the feed follows the master; open, it rests with an insert staged.

    ``start_empty``: stage the first insert by jog. ``ready_time_s``: when the feeder is, or will
    be, ready; ``inf`` while that is not known. ``failed``: a search has ended without an insert.
    ``at_rest``: neither closed (from closing to opening) nor ramping nor jogging.
    ``correction_mm``: added to the engage distance for the stage estimate (0 without stage
    correction). ``first_staged`` happens when the first insert is staged, or its search has failed.
    """

    def __init__(
        self,
        clock: Clock,
        conveyor: Conveyor,
        *,
        state: FeederState,
        eye: InsertEye,
        servo: Servo,
        start_empty: bool,
    ) -> None:
        super().__init__(clock)
        self._conveyor = conveyor
        self._state = state
        self._eye = eye
        self._servo = servo
        self._start_empty = start_empty
        machine = state.machine
        self.settings = machine.settings
        self._delay_s = machine.servo.command_delay_s
        self._settle_s = machine.clutch.settle_s
        self._ramp_in = Ramp(machine.clutch.ramp_in, machine.clutch.travel_ramp)
        self._ramp_out = Ramp(machine.clutch.ramp_out, machine.clutch.travel_ramp)
        self._nominal_delay_s = eye_delay(machine.eye, state.controller)
        self._staged: Found | None = None
        self._stage_position_mm = math.nan
        self._search = Search(0.0, -1, math.inf)
        self._tail_mm = math.nan
        self._rest_mm = math.nan
        self._opens_s = -math.inf
        self._order_opening = Order.OPENING.of(state.number)
        self._order_ready = Order.READY.of(state.number)
        self.ready_time_s = math.inf
        self.failed = False
        self.at_rest = False
        self.closed = False
        self.correction_mm = 0.0
        self.first_staged = clock.event()
        state.at_rest = lambda: self.at_rest

    @property
    def holds_insert(self) -> bool:
        """Whether an insert is staged, or moving from the eye to the stage."""
        return self._staged is not None

    def settled(self, t: float) -> bool:
        """Return whether at time ``t`` (s) the feeder is ready, or has given up."""
        return self.failed or self.ready_time_s <= t + SAME_INSTANT_S

    # -- closing ---------------------------------------------------------------------

    def engage(self, t: float, *, carrier: int, late: bool) -> None:
        """Close the clutch at motion tick ``t`` (s) for a carrier; the feeder is ready."""
        state, feed, insert = self._state, self._state.feed, self._staged
        assert insert is not None  # noqa: S101 - ready means that one is staged
        number, nose, drawn, _, _, _ = insert
        _, _, length, _, slip, _, _, double, called_double = drawn
        start_mm = feed.position(t)
        self._eye.slipped(number, slip, feed_mm=start_mm)
        begins = t + self._delay_s
        feed.engage(begins, self._ramp_in)
        rows = state.columns
        rows.insert[carrier] = number
        rows.engage_time_s[carrier] = t
        rows.stage_position_mm[carrier] = self._stage_position_mm
        if not math.isnan(double):
            rows.double[carrier] = 1
        if called_double:
            rows.called_double[carrier] = 1
        if late:
            rows.late_engage[carrier] = 1
        if state.tracer is not None:
            state.trace(t, "clutch", "closes", carrier=carrier, insert=number)
        self._tail_mm = nose + slip + length
        self._servo.launch(
            Flight(
                t,
                nose + slip + state.machine.insert_eye_to_placement_mm,
                carrier,
                number,
            )
        )
        state.undecided -= 1
        self._staged = None
        self.ready_time_s = math.inf
        self.at_rest = False
        self.closed = True
        self.correction_mm = 0.0
        self._search = Search(t, carrier, start_mm + state.controller.search_limit_mm)
        state.tell_engaged()

    # -- the sequence ----------------------------------------------------------------

    def run(self) -> Steps:
        """Search, open, stage, and wait to be closed again."""
        if self._start_empty:
            yield from self.stage_by_jog()
            self.first_staged.succeed()
        else:
            self._staged = self._eye.take_staged()
            self._stage_position_mm = self.settings.stage_position_mm
            self.ready_time_s = 0.0
            self.at_rest = True
            self.first_staged.succeed()
        yield from self._cycles()

    def _cycles(self) -> Steps:
        """Go through one feed cycle after another, each from the closing of the clutch."""
        while True:
            yield from self.clock.wait(self._state.engaged)
            found = yield from self._eye.search(self._search)
            if found is None:
                yield from self.end_search()
            else:
                yield from self.stage(found)

    def stage(self, found: Found) -> Steps:
        """From a captured edge to a staged insert."""
        conveyor, known = self._conveyor, found.known_s

        def opens() -> float:
            master, settings = conveyor.master, self.settings
            now = self.clock.now
            return master.first_action(
                self._eye.reading(found, master),
                settings.disengage_distance_mm,
                lead=settings.disengage_lead_s,
                not_before=known if known > now else now,
            )

        t = yield from self.clock.until(opens, self._order_opening)
        master = conveyor.master
        reading, settings = self._eye.reading(found, master), self.settings
        distance, lead = settings.disengage_distance_mm, settings.disengage_lead_s
        if master.past(reading, distance, lead=lead, t=known) > SAME_TRAVEL_MM:
            self._state.columns.late_opening[self._search.carrier] = 1
        self._staged = found
        self.open_clutch(t)
        speed = math.nan
        if settings.stage_correction:
            speed = settings.speed_ratio * master.speed.at(known)
        yield from self._come_to_rest(found, speed=speed)

    def open_clutch(self, t: float) -> None:
        """Open the clutch at motion tick ``t`` (s)."""
        state, feed, rows = self._state, self._state.feed, self._state.columns
        k = self._search.carrier
        begins = t + self._delay_s
        rows.opening_time_s[k] = t
        rows.tail_mm[k] = feed.position(t) - self._tail_mm
        feed.open(begins, self._ramp_out)
        self._opens_s = begins
        self.closed = False
        self._servo.motion_changed()
        if state.tracer is not None:
            state.trace(t, "clutch", "opens", carrier=k)

    def _plan_ready(self) -> float:
        rest, self._rest_mm = self._state.feed.rest()
        self.ready_time_s = ready_at(rest, self._opens_s, settle_s=self._settle_s)
        return self.ready_time_s

    def _come_to_rest(self, found: Found, *, speed: float) -> Steps:
        """Wait for the end of the ramp-out and the settling; then the insert is staged.

        ``speed``: of the feed as the controller knew it at the edge; for stage correction.
        """
        state = self._state
        t = yield from self.clock.until(self._plan_ready, self._order_ready)
        self._stage_position_mm = self._rest_mm - found.nose_mm
        if self.settings.stage_correction:
            self.correction_mm = self._correction(found, speed=speed)
        carrier = self._search.carrier
        if carrier >= 0:
            state.columns.ready_time_s[carrier] = t
        self.at_rest = True
        if state.tracer is None:
            state.feed.forget_before(state.columns.engage_time_s[carrier] if carrier >= 0 else 0.0)
        else:
            state.trace(t, "clutch", "staged", carrier=carrier, insert=found.number)
        state.on_change()
        if not state.undecided:
            state.check_finished()

    def _correction(self, found: Found, *, speed: float) -> float:
        """Return the controller's estimate of the stage error, in belt travel (mm)."""
        settings = self.settings
        return stage_correction(
            self._rest_mm - self._state.feed.position(found.captured_s),
            speed,
            delay_s=self._nominal_delay_s,
            stage_mm=settings.stage_position_mm,
            ratio=settings.speed_ratio,
        )

    def end_search(self) -> Steps:
        """No insert within the search limit: open, and leave the feeder empty."""
        state = self._state
        master = self._conveyor.master
        t = yield from self.clock.until(
            lambda: master.motion_tick(self.clock.now), self._order_opening
        )
        self.open_clutch(t)
        self._give_up(t)
        yield from self.clock.until(lambda: state.feed.rest()[0], self._order_ready)
        self.at_rest = True
        state.check_finished()

    def _give_up(self, t: float) -> None:
        state = self._state
        self.failed = True
        if state.tracer is not None:
            state.trace(t, "clutch", "search_ends", carrier=self._search.carrier)
        state.on_change()

    # -- jogging ---------------------------------------------------------------------

    def may_jog(self) -> bool:
        """Return whether the feed may be jogged now; refuse and note it while closed."""
        if self.closed and self._state.tracer is not None:
            self._state.trace(self.clock.now, "clutch", "jog_refused")
        return not self.closed

    def stage_by_jog(self) -> Steps:
        """Jog the first insert past its eye to the stage position (clutch open)."""
        state, feed = self._state, self._state.feed
        if not self.may_jog():
            return
        order, speed = self._order_opening, state.machine.jog_speed_mm_s
        now = yield from self.clock.until(lambda: self.clock.now, order)
        feed.jog(now, speed)
        if state.tracer is not None:
            state.trace(now, "clutch", "jog_starts")
        limit = feed.position(now) + state.controller.search_limit_mm
        self._search = Search(now, -1, limit)
        found = yield from self._eye.search(self._search)
        t = self.clock.now
        if found is None:
            feed.jog(t, 0.0)
            self._give_up(t)
            self.at_rest = True
        else:
            self._staged = found
            end = jog_end(
                feed.position(found.captured_s),
                speed,
                delay_s=self._nominal_delay_s,
                stage_mm=self.settings.stage_position_mm,
            )
            known = found.known_s
            far = end - feed.command(known)
            stop = jog_stop(self._conveyor.master, known, far, speed_mm_s=speed)
            yield from self.clock.until(lambda: stop, order)
            feed.jog(stop, 0.0)
            yield from self._come_to_rest(found, speed=speed)
