"""What a page needs to play a stretch of a run: the machine, its motion, all outcomes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from feedsim import __version__
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.feeder import SceneFeeder, feeder_shown
from feedsim.answers.rehearse.study.parts import (
    CarrierColumns,
    EncoderTerms,
    GateColumns,
    ProgramInput,
    belt_plain,
    carrier_eye_blocked,
    carriers_shown,
    complete_before,
    gate_shown,
    intervals_plain,
    program_input,
)
from feedsim.answers.rehearse.study.scene_events import (
    SceneEvent,
    hazard_times,
    hazards_of_feeder,
    missed_times,
    scene_events,
    scene_events_plain,
    stops_plain,
    trace_events_plain,
)
from feedsim.answers.rehearse.study.stretch import Excerpt, stretch_of
from feedsim.metrics.plain import IF_ANY, Plain, as_object
from feedsim.metrics.product_rows import needed
from feedsim.metrics.spread import resolution_mm
from feedsim.motion.belt import BeltMotion
from feedsim.quantities import System
from feedsim.records.stop import Stop
from feedsim.records.trace import TraceEvent
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A stretch of a run, as a page plays it.

    All numbers are in mm and s; times are seconds of the run, carriers and inserts have the
    numbers of the run. ``zero_s``: when the focus (else the first chosen carrier) passes the
    carrier eye; ``begin_s``: where to begin. ``carrier_input`` is None if the program sees the
    eye's output itself; ``needs`` are the feeders that a complete product needs. ``events``,
    ``happenings``, ``stops``: those of the trace; what a page jumps to; those of the line.
    """

    feedsim: str
    name: str
    title: str
    seed: int
    line_speed_mm_s: float
    tolerance_mm: float
    from_s: float
    to_s: float
    zero_s: float
    begin_s: float
    left_mm: float
    right_mm: float
    chosen: tuple[int, int]
    focus: int | None
    because: str
    carrier_length_mm: float
    carrier_pitch_mm: float
    belt: BeltMotion = field(metadata={"plain": belt_plain})
    encoder: EncoderTerms
    carriers: CarrierColumns
    carrier_eye: tuple[OnInterval, ...] = field(metadata={"plain": intervals_plain})
    carrier_input: ProgramInput | None = field(metadata=IF_ANY)
    feeders: tuple[SceneFeeder, ...]
    needs: tuple[int, ...]
    gate: GateColumns | None
    complete_before: int
    events: tuple[TraceEvent, ...] = field(metadata={"plain": trace_events_plain})
    happenings: tuple[SceneEvent, ...] = field(metadata={"plain": scene_events_plain})
    stops: tuple[Stop, ...] = field(metadata={"plain": stops_plain})

    def plain(self) -> dict[str, Plain]:
        """Return the scene as the page reads it; columns of numbers are packed."""
        return as_object(self)


def scene(
    scenario: Scenario, choice: ShownCarriers, *, name: str, units: System = "metric"
) -> Scene:
    """Run a scenario and return the stretch of it that was chosen.

    ``name``: of the setup if there are two; ``units``: of lengths in sentences.
    """
    stretch = stretch_of(scenario, choice.carriers)
    machine, records, trace = stretch.machine, stretch.records, stretch.trace
    criteria, numbers = criteria_of(scenario), range(len(machine.feeders))
    from_s, to_s = stretch.from_s, stretch.to_s
    missed_s = [missed_times(records, trace, machine=machine, feeder=j) for j in numbers]
    hazards = [
        hazards_of_feeder(records, machine=machine, criteria=criteria, feeder=j) for j in numbers
    ]
    hazard_s = [hazard_times(records, trace, machine=machine, feeder=j) for j in numbers]
    limit_mm = criteria.largest_error_mm(resolution_mm(records))
    outside = [np.abs(feeder.placement_error_mm) > limit_mm for feeder in records.feeders]
    found = scene_events(
        records, trace, missed_s=missed_s, hazards=hazards, hazard_s=hazard_s, outside=outside
    )
    shown = tuple(h for h in found if from_s <= h.time_s <= to_s)
    zero_s = _zero_s(stretch, choice)
    return Scene(
        feedsim=__version__,
        name=name,
        title=scenario.title,
        seed=scenario.seed,
        line_speed_mm_s=machine.line.speed_mm_s,
        tolerance_mm=scenario.acceptance.placement_tolerance,
        from_s=from_s,
        to_s=to_s,
        zero_s=zero_s,
        begin_s=_begin_s(stretch, choice, shown, zero_s=zero_s),
        left_mm=stretch.left_mm,
        right_mm=stretch.right_mm,
        chosen=(choice.carriers.start, choice.carriers.stop - 1),
        focus=choice.focus,
        because=choice.because,
        carrier_length_mm=machine.carriers.length_mm,
        carrier_pitch_mm=machine.carriers.pitch_mm,
        belt=trace.belt,
        encoder=EncoderTerms(
            machine.encoder.count_mm, machine.encoder.scale_error, stretch.draws.phases().encoder
        ),
        carriers=carriers_shown(stretch),
        carrier_eye=carrier_eye_blocked(stretch),
        carrier_input=program_input(stretch, machine.carrier_eye, carrier_eye_runs(stretch)),
        feeders=tuple(
            feeder_shown(
                stretch,
                j,
                units=units,
                missed_s=missed_s[j],
                hazards=hazards[j],
                outside=outside[j],
            )
            for j in numbers
        ),
        needs=needed(machine, criteria),
        gate=gate_shown(stretch),
        complete_before=complete_before(stretch),
        events=tuple(e for e in trace.events if from_s <= e.time_s <= to_s),
        happenings=shown,
        stops=tuple(s for s in records.stops if s.time_s <= to_s and not s.restarted_s < from_s),
    )


def _zero_s(stretch: Excerpt, choice: ShownCarriers) -> float:
    number = choice.carriers.start if choice.focus is None else choice.focus
    return float(stretch.records.carriers.eye_time_s[number])


def _begin_s(
    stretch: Excerpt, choice: ShownCarriers, shown: Sequence[SceneEvent], *, zero_s: float
) -> float:
    """Return when the page begins: at the miss or hazard sought, else at the focus."""
    for happening in shown:
        if happening.kind == choice.because and happening.carrier == choice.focus:
            return happening.time_s
    return stretch.from_s if choice.focus is None else zero_s
