"""A supervised line: the classes of its parts, and its additional parts."""

from __future__ import annotations

from typing import NamedTuple, cast

from feedsim.draws.line_draws import Draws
from feedsim.machine import FaultKind, Machine
from feedsim.records.stop import Adjustment, Rule
from feedsim.simulation.blocked import BlockedWatch
from feedsim.simulation.carrier_eye import CarrierEye
from feedsim.simulation.clock import Clock, Order, Part
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.feeder_state import FeederState
from feedsim.simulation.insert_eye import InsertEye
from feedsim.simulation.mark_memory import MarkMemory
from feedsim.simulation.planned import Operator, PlannedFault, Refilling
from feedsim.simulation.recorder import Tracer
from feedsim.simulation.servo import Servo
from feedsim.simulation.staging_clutch import StagingClutch
from feedsim.simulation.supervised_carrier_eye import SupervisedCarrierEye
from feedsim.simulation.supervised_feeder import (
    SupervisedClutch,
    SupervisedMemory,
    SupervisedServo,
    SupervisedState,
)
from feedsim.simulation.supervised_insert_eye import SupervisedInsertEye
from feedsim.simulation.supervisor import SupervisedFeeding, Supervisor
from feedsim.simulation.watch import Watch


class Kinds(NamedTuple):
    """The classes that a line's parts are of."""

    state: type[FeederState]
    eye: type[InsertEye]
    servo: type[Servo]
    clutch: type[StagingClutch]
    memory: type[MarkMemory]
    carrier_eye: type[CarrierEye]


_PLAIN = Kinds(FeederState, InsertEye, Servo, StagingClutch, MarkMemory, CarrierEye)
_SUPERVISED = Kinds(
    SupervisedState,
    SupervisedInsertEye,
    SupervisedServo,
    SupervisedClutch,
    SupervisedMemory,
    SupervisedCarrierEye,
)


class Feeding(NamedTuple):
    """The parts of one feeder, supervised or not."""

    state: FeederState
    eye: InsertEye
    servo: Servo
    clutch: StagingClutch
    memory: MarkMemory


class Supervised(NamedTuple):
    """Additional parts of a supervised line: the supervisor, and the changes made in the run."""

    supervisor: Supervisor
    parts: list[Part]
    adjustments: list[Adjustment]


def kinds_of(machine: Machine) -> Kinds:
    """Return the classes of a line's parts."""
    return _PLAIN if machine.supervision is None else _SUPERVISED


def supervised(
    clock: Clock,
    machine: Machine,
    *,
    conveyor: Conveyor,
    carrier_eye: CarrierEye,
    feeders: list[Feeding],
    draws: Draws,
    tracer: Tracer | None,
) -> Supervised:
    """Add a supervisor, planned faults and changes to the parts of a line."""
    supervision = machine.supervision
    assert supervision is not None  # noqa: S101 - the caller has looked
    eye = cast("SupervisedCarrierEye", carrier_eye)
    feedings: list[SupervisedFeeding] = []

    def report(rule: Rule, *, feeder: int = -1, cause: str = "", carrier: int = -1) -> None:
        supervisor.report(rule, feeder=feeder, cause=cause, carrier=carrier)

    for number, parts in enumerate(feeders):
        watch = Watch(
            number,
            machine,
            conveyor=conveyor,
            feed=parts.state.feed,
            draws=draws,
            report=report,
        )
        feeding = SupervisedFeeding(*parts, watch)  # type: ignore[arg-type]
        feeding.state.watch = feeding.eye.watch = feeding.servo.watch = feeding.clutch.watch = watch
        watch.lacking = feeding.clutch.lacking
        feedings.append(feeding)
    supervisor = Supervisor(
        clock,
        machine,
        conveyor=conveyor,
        feedings=feedings,
        carrier_eye=eye,
        clearing=draws.clearing_times(supervision.rules.clearing),
        tracer=tracer,
    )
    times = [fault.when for fault in supervision.faults] + [a.when for a in supervision.adjusts]
    if any(when.carrier >= 0 for when in times):
        eye.announce()
    made: list[Adjustment] = []
    more: list[Part] = [supervisor]
    more += [
        PlannedFault(
            clock,
            fault,
            conveyor=conveyor,
            carrier_eye=eye,
            supervisor=supervisor,
            feedings=feedings,
            tracer=tracer,
        )
        for fault in supervision.faults
    ]
    more += [
        Operator(
            clock,
            adjust,
            machine=machine,
            conveyor=conveyor,
            carrier_eye=eye,
            supervisor=supervisor,
            feedings=feedings,
            made=made,
            tracer=tracer,
        )
        for adjust in supervision.adjusts
    ]
    more += [
        Refilling(clock, feeding, number=number)
        for number, feeding in enumerate(feedings)
        if machine.feeders[number].inserts.warning
    ]
    supervisor.watches = _blocked(
        clock, machine, conveyor=conveyor, eye=eye, feedings=feedings, supervisor=supervisor
    )
    return Supervised(supervisor, [*more, *supervisor.watches], made)


def _blocked(
    clock: Clock,
    machine: Machine,
    *,
    conveyor: Conveyor,
    eye: SupervisedCarrierEye,
    feedings: list[SupervisedFeeding],
    supervisor: Supervisor,
) -> list[BlockedWatch]:
    """Watch the eyes that have a limit of travel with the output on, or off."""
    assert machine.supervision is not None  # noqa: S101 - the caller has looked
    rules, watches = machine.supervision.rules, []
    if rules.carrier_eye_blocked_mm < float("inf"):
        watch = BlockedWatch(
            clock,
            limit_mm=rules.carrier_eye_blocked_mm,
            position=conveyor.position,
            time_at=conveyor.time_at,
            output_on=eye.output_on,
            trip=lambda: supervisor.report(Rule.CARRIER_EYE_BLOCKED),
            order=Order.CARRIER_EYE.of(1),
        )
        eye.on_switch.append(watch.switched_on)
        watches.append(watch)
    if rules.carrier_eye_silent_mm < float("inf"):
        watch = BlockedWatch(
            clock,
            limit_mm=rules.carrier_eye_silent_mm,
            position=conveyor.position,
            time_at=conveyor.time_at,
            output_on=lambda _: eye.to_come,
            trip=lambda: supervisor.report(
                Rule.CARRIER_EYE_SILENT,
                cause=FaultKind.EYE_DIRTY.value if eye.is_dirty(clock.now) else "",
            ),
            order=Order.CARRIER_EYE.of(1),
            from_rest=True,
        )
        eye.on_switch.append(watch.switched_on)
        watches.append(watch)
    if rules.insert_eye_blocked_mm < float("inf"):
        for number, feeding in enumerate(feedings):
            watch = BlockedWatch(
                clock,
                limit_mm=rules.insert_eye_blocked_mm,
                position=feeding.state.feed.position,
                time_at=feeding.state.feed.time_at,
                output_on=feeding.eye.output_on,
                trip=lambda watch=feeding.watch: watch.trip(Rule.INSERT_EYE_BLOCKED),  # type: ignore[misc]
                order=Order.INSERT_EYE.of(number),
            )
            feeding.eye.on_switch = watch.switched_on
            feeding.watch.on_motion = watch.plan_again
            watches.append(watch)
    return watches
