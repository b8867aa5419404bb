"""The supervisor: stops the line at one instant, and restarts it.

Section 14 of the model specifies it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from feedsim.machine import FaultKind, Machine
from feedsim.motion.belt import BeltMotion
from feedsim.records.outcome import Outcome
from feedsim.records.stop import RecoveryStep, Rule, Stop, WhileStopped
from feedsim.simulation.blocked import BlockedWatch
from feedsim.simulation.clock import Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.open_stop import OpenStop
from feedsim.simulation.recorder import PENDING, Tracer
from feedsim.simulation.supervised_carrier_eye import SupervisedCarrierEye
from feedsim.simulation.supervised_feeder import (
    SupervisedClutch,
    SupervisedMemory,
    SupervisedServo,
    SupervisedState,
)
from feedsim.simulation.supervised_insert_eye import SupervisedInsertEye
from feedsim.simulation.watch import Watch

_FIRST = 0
"""Before everything else left at this instant: SimPy's own order of interrupts."""
_MOST_TRIES = 3
_MOST_IN_A_ROW = 5


class SupervisedFeeding(NamedTuple):
    """The parts of one feeder."""

    state: SupervisedState
    eye: SupervisedInsertEye
    servo: SupervisedServo
    clutch: SupervisedClutch
    memory: SupervisedMemory
    watch: Watch


class Supervisor(Part):
    """Stops the line when a rule is broken, and recovers.

    ``clearing``: how long each clearing takes (s). ``stopped``: from a trip to the restart.
    ``stops``: those completed. ``gave_up``, ``end_time_s``: why the run was given up (empty where
    it was not), and when. ``next_speed_mm_s``: line speed requested while the line is at rest.
    ``on_running`` is called at each restart, ``on_given_up`` once when the run is given up.
    """

    def __init__(
        self,
        clock: Clock,
        machine: Machine,
        *,
        conveyor: Conveyor,
        feedings: list[SupervisedFeeding],
        carrier_eye: SupervisedCarrierEye,
        clearing: Iterator[float],
        tracer: Tracer | None,
    ) -> None:
        super().__init__(clock)
        assert machine.supervision is not None  # noqa: S101 - else there is no supervisor
        self._machine = machine
        self._supervision = machine.supervision
        self._rules = machine.supervision.rules
        self._conveyor = conveyor
        self._feedings = feedings
        self._carrier_eye = carrier_eye
        self._clearing = clearing
        self._tracer = tracer
        self._tripping = self._emergency = False
        self._within: list[WhileStopped] = []
        self._in_a_row = 0
        self._ahead: list[tuple[float, float]] = []
        self._open: OpenStop | None = None
        self.watches: list[BlockedWatch] = []
        self.stopped = False
        self.stops: list[Stop] = []
        self.gave_up = ""
        self.end_time_s = math.nan
        self.next_speed_mm_s: float | None = None
        self.on_running: Callable[[], None] = _nothing
        self.on_given_up: Callable[[], None] = _nothing
        for feeding in feedings:
            feeding.watch.on_placed = self._placed
            feeding.watch.place_of = carrier_eye.place_of

    def start(self) -> None:
        """Do nothing: it acts on reports."""

    def plan_again(self) -> None:
        """Do nothing: a stop waits for nothing that depends on the belt."""

    def _placed(self) -> None:
        self._in_a_row = 0

    def _trace(self, event: str, *, carrier: int = -1) -> None:
        if self._tracer is not None:
            self._tracer.add(self.clock.now, "line", event, carrier=carrier, always=True)

    # -- the trip --------------------------------------------------------------------

    def report(self, rule: Rule, *, feeder: int = -1, cause: str = "", carrier: int = -1) -> None:
        """Stop the line at this instant unless it is stopped; the first report counts.

        Later ones are noted with the present stop.
        """
        if self.stopped or self._tripping:
            self.note(rule.value, cause=cause, feeder=feeder, carrier=carrier)
            if rule is Rule.EMERGENCY_STOP and self._open is not None:
                self._cut_power(self._open)
                self._brake_harder(self._open)
            self._emergency |= rule is Rule.EMERGENCY_STOP
            return
        self._emergency = False
        self._tripping = True
        event = self.clock.at(self.clock.now, _FIRST)
        event.callbacks = [lambda _: self._trip(rule, feeder, cause, carrier)]

    def note(self, what: str, *, cause: str = "", feeder: int = -1, carrier: int = -1) -> None:
        """Note an event while the line is stopped; ignore it otherwise."""
        if self.stopped or self._tripping:
            self._within.append(WhileStopped(self.clock.now, what, cause, feeder, carrier))

    def _deceleration(self, *, emergency: bool) -> float:
        rules = self._rules
        if emergency and rules.emergency_deceleration_mm_s2 is not None:
            return rules.emergency_deceleration_mm_s2
        return rules.stop_deceleration_mm_s2

    def _brake_harder(self, stop: OpenStop) -> None:
        """Brake a slowing belt harder if an emergency stop would."""
        now, belt = self.clock.now, self._conveyor.master.belt
        rest = belt.reaches(0.0, now, rate_mm_s2=self._deceleration(emergency=True))
        if rest < stop.at_rest_s:
            stop.at_rest_s = rest
            self._conveyor.change(belt.then(now, [(rest, 0.0)]))
            super().plan_again()

    def _trip(self, rule: Rule, feeder: int, cause: str, carrier: int) -> None:
        now, conveyor = self.clock.now, self._conveyor
        belt = conveyor.master.belt
        self._tripping, self.stopped = False, True
        self._in_a_row += 1
        emergency = self._emergency or rule is Rule.EMERGENCY_STOP
        rest = belt.reaches(0.0, now, rate_mm_s2=self._deceleration(emergency=emergency))
        stop = OpenStop(rule, t=now, feeder=feeder, cause=cause, carrier=carrier, at_rest_s=rest)
        stop.cleared = [feeding.state.columns.rejected for feeding in self._feedings]
        spoilt = feeder if cause == FaultKind.INSERT_JAM.value else -1
        self._open = stop
        self._trace("trips", carrier=carrier)
        self._ahead = [(t - now, v) for t, v in belt.points_after(now)]
        if conveyor.waits:
            conveyor.halt()
        for number, feeding in enumerate(self._feedings):
            self._halt(feeding, now, spoilt=number == spoilt)
        self._lose_unknown(now)
        if emergency:
            self._cut_power(stop)
        for watch in self.watches:
            watch.reset()
        if belt.speed(now) > 0.0 or self._ahead:
            conveyor.change(belt.then(now, [(rest, 0.0)]))
        self.process = self.clock.process(self._stand(stop))

    def _halt(self, feeding: SupervisedFeeding, now: float, *, spoilt: bool) -> None:
        feeding.watch.lost = []
        feeding.watch.stopped()
        feeding.clutch.stop(now, spoilt=spoilt)
        for carrier, insert in feeding.servo.abandon():
            feeding.state.lose(carrier, insert=insert, t=now)
        feeding.memory.stop(now, keeps=True)

    def _lose_unknown(self, now: float) -> None:
        """Lose the edges that have switched and that no program knows of yet."""
        for carrier in self._carrier_eye.lose_unknown():
            for feeding in self._feedings:
                columns = feeding.state.columns
                if columns.outcome[carrier] == PENDING and columns.insert[carrier] < 0:
                    feeding.memory.miss(carrier, Outcome.LINE_STOP, t=now)
                    columns.missed_time_s[carrier] = math.nan

    def _cut_power(self, stop: OpenStop) -> None:
        """Lose the position of coming carriers if the encoder needs power to keep it."""
        stop.power_off = True
        if self._supervision.keeps_place:
            return
        for feeding in self._feedings:
            feeding.memory.keeps = False
            feeding.memory.lose_all(self.clock.now)

    # -- recovery --------------------------------------------------------------------

    def _stand(self, stop: OpenStop) -> Steps:
        yield from self.clock.until(lambda: stop.at_rest_s, Order.BELT)
        self._trace("at_rest")
        if self._in_a_row >= _MOST_IN_A_ROW:
            words = stop.rule.replace("_", " ")
            if stop.cause not in {"", stop.rule.value}:
                words += f" ({stop.cause.replace('_', ' ')})"
            self._give_up(
                f"{_MOST_IN_A_ROW} stops in a row without an insert placed between them; the "
                f"last: {words}"
            )
            return
        left = list(range(len(self._feedings)))
        for _ in range(_MOST_TRIES):
            yield from self._clear(stop)
            yield from self._home(stop)
            left = yield from self._stage(stop, left)
            if not left:
                yield from self._home(stop)  # the power may have gone meanwhile
                self._restart(stop)
                return
        names = " and ".join(f"feeder {number}" for number in left)
        self._give_up(f"no insert came to {names} within the search limit, {_MOST_TRIES} times")

    def _note(self, stop: OpenStop, step: str, *, feeder: int = -1, inserts: int = 0) -> None:
        now = self.clock.now
        stop.steps.append(RecoveryStep(now, step, feeder, inserts))
        if feeder < 0:
            self._trace(step)
        else:
            state = self._feedings[feeder].state
            if state.tracer is not None:
                state.trace(now, "recovery", step, always=True)

    def _clear(self, stop: OpenStop) -> Steps:
        yield self.clock.at(self.clock.now + next(self._clearing), Order.BELT)
        now = self.clock.now
        self._carrier_eye.dirty_until_s = min(self._carrier_eye.dirty_until_s, now)
        for feeding in self._feedings:
            feeding.eye.dirty_until_s = min(feeding.eye.dirty_until_s, now)
        self._note(stop, "cleared")

    def _home(self, stop: OpenStop) -> Steps:
        """Find home, if power has gone and the encoder's place with it."""
        if not stop.power_off or self._supervision.keeps_place:
            return
        stop.power_off = False
        yield self.clock.at(self.clock.now + self._supervision.home_time_s, Order.BELT)
        self._note(stop, "homed")

    def _stage(self, stop: OpenStop, numbers: list[int]) -> Steps:
        """Stage these feeders in parallel; return those where no insert came."""
        for number in numbers:
            clutch = self._feedings[number].clutch
            clutch.process = self.clock.process(self._stage_one(stop, number))
        for number in numbers:
            process = self._feedings[number].clutch.process
            if process.is_alive:
                yield process
        yield self.clock.at(self.clock.now, Order.BELT)
        if not self._rules.no_insert:
            return []
        return [number for number in numbers if self._feedings[number].clutch.failed]

    def _stage_one(self, stop: OpenStop, number: int) -> Steps:
        feeding, clock = self._feedings[number], self.clock
        if feeding.clutch.keeps_insert:
            feeding.eye.release()
            self._note(stop, "kept", feeder=number)
        if feeding.eye.empty:
            refilled = clock.now + self._machine.feeders[number].inserts.refill_time_s
            yield from clock.until(lambda: refilled, Order.BELT.of(number))
            feeding.eye.refill()
            self._note(stop, "refilled", feeder=number)
        if feeding.clutch.keeps_insert:
            return
        feeding.eye.release()
        yield from feeding.clutch.recover()
        cleared = feeding.state.columns.rejected - stop.cleared[number]
        stop.cleared[number] += cleared
        if cleared:
            self._note(stop, "inserts_cleared", feeder=number, inserts=cleared)
        self._note(stop, "search_failed" if feeding.clutch.failed else "staged", feeder=number)

    def _restart(self, stop: OpenStop) -> None:
        now, conveyor = self.clock.now, self._conveyor
        self.stopped = False
        self._trace("restarts")
        if conveyor.waits:
            conveyor.begin(self.next_speed_mm_s)
        else:
            conveyor.change(self._belt_from(conveyor.master.belt, stop, now))
        self.next_speed_mm_s = None
        for watch in self.watches:
            watch.restarted(now)
        if not all(feeding.memory.keeps for feeding in self._feedings):
            self._lose_unknown(now)
        for feeding in self._feedings:
            feeding.servo.start()
            feeding.clutch.resume(now)
            feeding.memory.resume(now)
        self._close(stop, now)
        for feeding in self._feedings:
            feeding.state.check_finished()
        self.on_running()

    def _belt_from(self, belt: BeltMotion, stop: OpenStop, now: float) -> BeltMotion:
        """Ramp up to the speed at the trip, then go through what was ahead then."""
        rate, wanted = self._machine.line.acceleration_mm_s2, belt.speed(stop.time_s)
        ahead = self._ahead
        if self.next_speed_mm_s is not None:
            wanted, ahead = self.next_speed_mm_s, []
        return belt.resumed(now, wanted, ahead, rate_mm_s2=rate)

    def _close(self, stop: OpenStop, restarted_s: float) -> None:
        self._open = None
        stop.within, self._within = self._within, []
        lost = tuple(tuple(sorted(feeding.watch.lost)) for feeding in self._feedings)
        self.stops.append(stop.closed(restarted_s, lost=lost))

    # -- the end ---------------------------------------------------------------------

    def _give_up(self, why: str) -> None:
        """End the run: undecided carriers are lost."""
        now = self.clock.now
        self.gave_up, self.end_time_s = why, now
        self._trace("gives_up")
        self._carrier_eye.end()
        for feeding in self._feedings:
            columns = feeding.state.columns
            for carrier, outcome in enumerate(columns.outcome):
                if outcome == PENDING:
                    columns.outcome[carrier] = Outcome.LINE_STOP
                    feeding.watch.missed(carrier, Outcome.LINE_STOP)
        if self._open is not None:
            self._close(self._open, math.nan)
        self.on_given_up()


def _nothing() -> None:
    return None
