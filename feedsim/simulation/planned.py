"""Planned faults, and changes by an operator, at a time or a carrier."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from feedsim import machine
from feedsim.machine import Adjust, FaultKind, Machine, Setting, When
from feedsim.records.stop import Adjustment, Rule
from feedsim.simulation.clock import Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.recorder import Tracer
from feedsim.simulation.supervised_carrier_eye import SupervisedCarrierEye
from feedsim.simulation.supervisor import SupervisedFeeding, Supervisor


class _Planned(Part):
    """An event at a time, or as a carrier comes to its eye."""

    def __init__(
        self, clock: Clock, when: When, *, conveyor: Conveyor, carrier_eye: SupervisedCarrierEye
    ) -> None:
        super().__init__(clock)
        self._when = when
        self._conveyor = conveyor
        self._carrier_eye = carrier_eye

    def run(self) -> Steps:
        """Wait for it; it happens before all else at its instant but a belt change."""
        when = self._when
        if when.carrier < 0:
            yield from self.clock.until(lambda: when.at_s, Order.BELT.of(1))
        else:
            comes = self._carrier_eye.comes.setdefault(when.carrier, self.clock.event())
            yield from self.clock.wait(comes)
            edge = float(comes.value)  # type: ignore[arg-type]
            yield from self.clock.until(
                lambda: self._conveyor.master.belt.time_at(edge), Order.BELT.of(1)
            )
        self.happen()

    def happen(self) -> None:
        raise NotImplementedError


class PlannedFault(_Planned):
    """A planned fault."""

    def __init__(
        self,
        clock: Clock,
        fault: machine.PlannedFault,
        *,
        conveyor: Conveyor,
        carrier_eye: SupervisedCarrierEye,
        supervisor: Supervisor,
        feedings: list[SupervisedFeeding],
        tracer: Tracer | None,
    ) -> None:
        super().__init__(clock, fault.when, conveyor=conveyor, carrier_eye=carrier_eye)
        self._fault = fault
        self._supervisor = supervisor
        self._feeding = feedings[fault.feeder]
        self._tracer = tracer

    def happen(self) -> None:
        """Let the fault come."""
        fault, now, feeding = self._fault, self.clock.now, self._feeding
        name = fault.kind.value
        if self._tracer is not None:
            self._tracer.add(now, "fault", name, carrier=fault.when.carrier, always=True)
        if fault.kind is FaultKind.EMERGENCY_STOP:
            self._supervisor.report(Rule.EMERGENCY_STOP, cause=name, carrier=fault.when.carrier)
        elif fault.kind is FaultKind.NO_INSERT:
            self._note(fault.feeder)
            feeding.eye.withhold()
            feeding.clutch.plan_again()
        elif fault.kind is FaultKind.EYE_DIRTY:
            self._note(-1 if fault.carrier_eye else fault.feeder)
            self._dirty(now)
        else:
            feeder = fault.feeder if fault.kind is FaultKind.INSERT_JAM else -1
            self._supervisor.report(Rule.JAM, feeder=feeder, cause=name, carrier=fault.when.carrier)

    def _note(self, feeder: int) -> None:
        """Note a fault that stops nothing by itself, if the line is stopped."""
        fault = self._fault
        self._supervisor.note(fault.kind.value, feeder=feeder, carrier=fault.when.carrier)

    def _dirty(self, now: float) -> None:
        eye = self._carrier_eye if self._fault.carrier_eye else self._feeding.eye
        eye.dirty_from_s, eye.dirty_until_s = now, now + self._fault.duration_s
        part: Part = self._carrier_eye if self._fault.carrier_eye else self._feeding.clutch
        part.plan_again()


class Operator(_Planned):
    """A planned change while the line runs; a standing line restarts with it."""

    def __init__(
        self,
        clock: Clock,
        adjust: Adjust,
        *,
        machine: Machine,
        conveyor: Conveyor,
        carrier_eye: SupervisedCarrierEye,
        supervisor: Supervisor,
        feedings: list[SupervisedFeeding],
        made: list[Adjustment],
        tracer: Tracer | None,
    ) -> None:
        super().__init__(clock, adjust.when, conveyor=conveyor, carrier_eye=carrier_eye)
        self._adjust = adjust
        self._rate = machine.line.acceleration_mm_s2
        self._supervisor = supervisor
        self._feedings = feedings
        self._made = made
        self._tracer = tracer

    def happen(self) -> None:
        """Make the changes."""
        now, adjust = self.clock.now, self._adjust
        self._made.append(Adjustment(now, self._carrier_eye.passed))
        if self._tracer is not None:
            self._tracer.add(now, "operator", "adjusts", carrier=adjust.when.carrier, always=True)
        for number, setting, value in adjust.settings:
            self._type_in(self._feedings[number], setting, value)
        if adjust.speed_mm_s is not None:
            self._change_speed(adjust.speed_mm_s, now)

    def _type_in(self, feeding: SupervisedFeeding, setting: Setting, value: float) -> None:
        """Change one setting, and plan again what depends on it."""
        changed: dict[str, Any] = {setting.value: value}
        new = replace(feeding.clutch.settings, **changed)
        feeding.clutch.settings = new
        feeding.memory.settings = new
        if setting is Setting.SPEED_RATIO:
            feeding.watch.ratio = value
            feeding.state.feed.set_ratio(value, self.clock.now)
            feeding.servo.plan_again()
        feeding.clutch.plan_again()
        feeding.memory.plan_again()

    def _change_speed(self, wanted: float, now: float) -> None:
        if self._supervisor.stopped or self._conveyor.waits:
            self._supervisor.next_speed_mm_s = wanted
            return
        belt = self._conveyor.master.belt
        reached = belt.reaches(wanted, now, rate_mm_s2=self._rate)
        self._conveyor.change(belt.then(now, [(reached, wanted)]))


class Refilling(Part):
    """Fills a feeder's magazine, from its warning on, while the line runs."""

    def __init__(self, clock: Clock, feeding: SupervisedFeeding, *, number: int) -> None:
        super().__init__(clock)
        self._feeding = feeding
        self._number = number
        self._asked = clock.event()
        feeding.eye.on_warning = self._ask

    def _ask(self) -> None:
        if not self._asked.triggered:
            self._asked.succeed()

    def run(self) -> Steps:
        """Refill after each warning."""
        state = self._feeding.state
        while True:
            yield from self.clock.wait(self._asked)
            self._asked = self.clock.event()
            if state.tracer is not None:
                state.trace(self.clock.now, "magazine", "warns", always=True)
            full = self.clock.now + state.machine.inserts.refill_time_s
            yield from self.clock.until(lambda full=full: full, Order.BELT.of(self._number))  # type: ignore[misc]
            self._feeding.eye.refill()
            if state.tracer is not None:
                state.trace(self.clock.now, "magazine", "full", always=True)
            self._feeding.clutch.plan_again()
