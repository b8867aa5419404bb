"""A whole line, assembled and run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from feedsim.arrays import Floats
from feedsim.draws.line_draws import Draws
from feedsim.machine import Machine
from feedsim.motion.feed import FeedMotion
from feedsim.records.columns import CarrierRecords, FeederRecords, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Adjustment
from feedsim.records.trace import Trace
from feedsim.simulation.clock import Clock, Part
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.derived import demanded_acceleration, divert_by, landing
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.insert_eye import InsertEye
from feedsim.simulation.recorder import PENDING, Columns, Tracer
from feedsim.simulation.servo import Servo
from feedsim.simulation.staging_clutch import StagingClutch
from feedsim.simulation.supervised_line import Feeding, kinds_of, supervised
from feedsim.simulation.supervisor import Supervisor

_LAST = 1 << 20
"""After everything else at one instant."""


class LineRun:
    """One line with all its parts, ready to run; the parameters are those of :func:`simulate`."""

    def __init__(
        self,
        machine: Machine,
        draws: Draws,
        *,
        carriers: int,
        tracer: Tracer | None = None,
        progress: Callable[[int], None] | None = None,
    ) -> None:
        self.clock = Clock()
        self.machine = machine
        self._count = carriers
        self._tracer = tracer
        self.conveyor = Conveyor(self.clock, machine, phases=draws.phases(), tracer=tracer)
        self.states: list[FeederState] = []
        self.eyes: list[InsertEye] = []
        self.clutches: list[StagingClutch] = []
        self.servos: list[Servo] = []
        self._running = len(machine.feeders)
        self._done = self.clock.event()
        self.parts: list[Part] = [self.conveyor]
        self._kinds = kinds_of(machine)
        feeders = [self._add_feeder(number, draws) for number in range(len(machine.feeders))]
        self.carrier_eye = self._kinds.carrier_eye(
            self.clock,
            self.conveyor,
            machine=machine,
            carriers=draws.carriers(),
            count=carriers,
            memories=[feeder.memory for feeder in feeders],
            tracer=tracer,
            progress=progress,
        )
        self.parts.append(self.carrier_eye)
        self.supervisor: Supervisor | None = None
        self._adjustments: list[Adjustment] = []
        if machine.supervision is not None:
            self._add_supervisor(draws, feeders)
        self.conveyor.parts = [p for p in self.parts if p is not self.conveyor]

    def _add_supervisor(self, draws: Draws, feeders: list[Feeding]) -> None:
        supervisor, parts, self._adjustments = supervised(
            self.clock,
            self.machine,
            conveyor=self.conveyor,
            carrier_eye=self.carrier_eye,
            feeders=feeders,
            draws=draws,
            tracer=self._tracer,
        )
        supervisor.on_running = self._end_if_over
        supervisor.on_given_up = self._end
        self.supervisor = supervisor
        self.parts += parts

    def _add_feeder(self, number: int, draws: Draws) -> Feeding:
        machine, clock, conveyor = self.machine.feeders[number], self.clock, self.conveyor
        settings, belt = machine.settings, conveyor.master.belt
        feed = FeedMotion(
            belt,
            scale_error=conveyor.scale_error,
            ratio=settings.speed_ratio,
            servo=machine.servo,
        )
        conveyor.feeds.append(feed)
        kinds = self._kinds
        state = kinds.state(
            number,
            machine,
            clock=clock,
            controller=self.machine.controller,
            feed=feed,
            columns=Columns(self._count),
            undecided=self._count,
            tracer=self._tracer,
        )
        state.on_finished = self._feeder_finished
        empty = self.machine.start_empty
        eye = kinds.eye(
            clock,
            conveyor,
            state=state,
            inserts=draws.inserts(number),
            first_nose_mm=self.machine.first_nose_mm(number),
            fastest_mm_s=self.machine.fastest_feed_mm_s(number),
        )
        servo = kinds.servo(clock, state=state)
        clutch = kinds.clutch(clock, conveyor, state=state, eye=eye, servo=servo, start_empty=empty)
        conveyor.feeds_staged.append(clutch.first_staged)
        memory = kinds.memory(
            clock,
            conveyor,
            state=state,
            clutch=clutch,
            reach_mm=self.machine.carriers.reach_mm(machine.settings),
        )
        self.states.append(state)
        self.eyes.append(eye)
        self.clutches.append(clutch)
        self.servos.append(servo)
        self.parts += [servo, clutch, memory]
        return Feeding(state, eye, servo, clutch, memory)

    def _feeder_finished(self) -> None:
        self._running -= 1
        if not self._running:
            if self.supervisor is None:
                self._done.succeed()
            else:  # what has just happened may stop the line
                last = self.clock.at(self.clock.now, _LAST)
                last.callbacks = [lambda _: self._end_if_over()]

    def _end(self) -> None:
        if not self._done.triggered:
            self._done.succeed()

    def _end_if_over(self) -> None:
        """End a supervised run whose feeders have finished, unless the line is stopped."""
        if self.supervisor is not None and not (self._running or self.supervisor.stopped):
            self._end()

    def run(self, *, order: Callable[[list[Part]], list[Part]] = list) -> RunRecords:
        """Run until every carrier is decided and every feeder rests.

        ``order`` may put the processes in another order of creation, which changes nothing.
        """
        for part in order(self.parts):
            part.start()
        self.clock.run(until=self._done)
        leading = np.frombuffer(self.carrier_eye.leading_edge_mm, dtype=np.float64)
        belt = self.conveyor.master.belt
        records = RunRecords(
            warm_up=0,
            start_time_s=self.conveyor.start_time_s,
            carriers=CarrierRecords(
                leading_edge_mm=leading,
                eye_time_s=belt.times_at(leading),
                divert_by_time_s=divert_by(self.machine.divert, leading, belt=belt),
            ),
            feeders=tuple(self._records(i, leading) for i in range(len(self.states))),
        )
        return records if self.supervisor is None else self._with_stops(records, self.supervisor)

    def _with_stops(self, records: RunRecords, supervisor: Supervisor) -> RunRecords:
        """Add what only a supervised line has."""
        if supervisor.gave_up:  # the carriers behind never come
            come = self.conveyor.master.belt.position(supervisor.end_time_s)
            carriers, divert = records.carriers, self.machine.divert
            leading, by = carriers.leading_edge_mm, carriers.divert_by_time_s
            times = np.where(leading > come, np.nan, carriers.eye_time_s)
            if divert is not None:
                by = np.where(leading + divert.decide_at_mm > come, np.inf, by)
            carriers = replace(carriers, eye_time_s=times, divert_by_time_s=by)
            records = replace(records, carriers=carriers)
        return replace(
            records,
            stops=tuple(supervisor.stops),
            adjustments=tuple(self._adjustments),
            end_time_s=supervisor.end_time_s,
            gave_up=supervisor.gave_up,
        )

    def _records(self, number: int, leading: Floats) -> FeederRecords:
        columns, belt = self.states[number].columns, self.conveyor.master.belt
        feeder = self.machine.feeders[number]
        landed = landing(
            np.frombuffer(columns.placement_time_s),
            feeder,
            belt=belt,
            leading_edge_mm=leading,
            slip_mm=np.frombuffer(self.carrier_eye.slip_mm),
        )
        demand = demanded_acceleration(
            np.frombuffer(columns.engage_time_s),
            np.frombuffer(columns.opening_time_s),
            feeder,
            belt=belt,
            encoder=self.machine.encoder,
        )
        held = int(self.clutches[number].holds_insert) + self.servos[number].in_flight
        records = columns.records(
            in_feeder=held,
            derived={**landed._asdict(), "demanded_acceleration_mm_s2": demand},
        )
        # an insert that stopped short of the placement point, with no cycle left to move it
        records.outcome[records.outcome == PENDING] = Outcome.NOT_STAGED
        return records


def simulate(
    machine: Machine,
    draws: Draws,
    *,
    carriers: int,
    progress: Callable[[int], None] | None = None,
) -> RunRecords:
    """Run a line, its settings solved, with ``warm_up`` 0: the caller decides which carriers count.

    ``carriers``: how many come, 1 or more, the warm-up included. ``progress`` is called now and
    then with the number of them past the carrier eye.
    """
    return LineRun(machine, draws, carriers=carriers, progress=progress).run()


def simulate_traced(
    machine: Machine, draws: Draws, *, carriers: int, around: range | None = None
) -> tuple[RunRecords, Trace]:
    """Run a line as :func:`simulate` does, and keep the motion and every event.

    ``around``: numbers of the carriers whose events are kept; all when left out.
    """
    tracer = Tracer(around)
    run = LineRun(machine, draws, carriers=carriers, tracer=tracer)
    records = run.run()
    trace = Trace(
        events=tracer.in_order(),
        belt=run.conveyor.master.belt,
        feeds=tuple(state.feed for state in run.states),
        moved=tuple(tuple(eye.moved) for eye in run.eyes),
    )
    return records, trace
