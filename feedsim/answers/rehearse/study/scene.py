"""What a page needs to play a stretch of a run: the machine, its motion, all outcomes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from feedsim import __version__
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.parts import (
    belt_plain,
    blocked_plain,
    carrier_eye_blocked,
    carriers_plain,
    column,
    complete_before,
    encoder_plain,
    feed_plain,
    gate_plain,
    in_stretch,
    inserts_plain,
    program_input,
)
from feedsim.answers.rehearse.study.scene_events import (
    SceneEvent,
    hazard_times,
    hazards_of_feeder,
    missed_times,
    scene_events,
    scene_events_plain,
    standing_plain,
)
from feedsim.answers.rehearse.study.stories import stories_plain
from feedsim.answers.rehearse.study.stretch import Excerpt, stretch_of
from feedsim.arrays import Bools, Floats
from feedsim.machine import Eye, Feeder
from feedsim.metrics.cycle_hazards import CycleHazard
from feedsim.metrics.plain import Plain, plain
from feedsim.metrics.product_rows import needed
from feedsim.metrics.spread import resolution_mm
from feedsim.quantities import System
from feedsim.records.outcome import Outcome
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs
from feedsim.running.replay.inserts import insert_eye_runs, inserts_of
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario
from feedsim.settings.levels import filters

_FLOATS = (
    "engage_time_s",
    "stage_position_mm",
    "placement_time_s",
    "placement_error_mm",
    "opening_time_s",
    "tail_mm",
)
_FLAGS = ("double", "late_engage", "late_opening")


def scene(
    scenario: Scenario, choice: ShownCarriers, *, name: str, units: System = "metric"
) -> dict[str, Plain]:
    """Run a scenario and return the stretch of it that was chosen, as plain data.

    Parameters
    ----------
    choice : ShownCarriers
        Which carriers; the scenario has them.
    name : str
        Name of the setup if there are two.
    units : {"metric", "inch"}
        Of lengths in sentences; all numbers are in mm and s.

    Returns
    -------
    dict
        Columns are packed (:mod:`feedsim.answers.rehearse.study.parts`); times are seconds of
        the run, carriers and inserts have the numbers of the run. ``zero_s``: when the focus (else
        the first chosen carrier) passes the carrier eye; ``begin_s``: where to begin.
    """
    stretch = stretch_of(scenario, choice.carriers)
    machine, records, trace = stretch.machine, stretch.records, stretch.trace
    numbers = range(len(machine.feeders))
    missed_s = [missed_times(records, trace, machine=machine, feeder=j) for j in numbers]
    hazards = [
        hazards_of_feeder(records, machine=machine, criteria=criteria_of(scenario), feeder=j)
        for j in numbers
    ]
    hazard_s = [hazard_times(records, trace, machine=machine, feeder=j) for j in numbers]
    limit_mm = scenario.acceptance.placement_tolerance + resolution_mm(records)
    outside = [np.abs(feeder.placement_error_mm) > limit_mm for feeder in records.feeders]
    found = scene_events(
        records, trace, missed_s=missed_s, hazards=hazards, hazard_s=hazard_s, outside=outside
    )
    shown = [h for h in found if stretch.from_s <= h.time_s <= stretch.to_s]
    zero_s = _zero_s(stretch, choice)
    return {
        "feedsim": __version__,
        "name": name,
        "title": scenario.title,
        "seed": scenario.seed,
        "line_speed_mm_s": machine.line.speed_mm_s,
        "tolerance_mm": scenario.acceptance.placement_tolerance,
        "from_s": stretch.from_s,
        "to_s": stretch.to_s,
        "zero_s": zero_s,
        "begin_s": _begin_s(stretch, choice, shown, zero_s=zero_s),
        "left_mm": stretch.left_mm,
        "right_mm": stretch.right_mm,
        "chosen": [choice.carriers.start, choice.carriers.stop - 1],
        "focus": choice.focus,
        "because": choice.because,
        "carrier_length_mm": machine.carriers.length_mm,
        "carrier_pitch_mm": machine.carriers.pitch_mm,
        "belt": belt_plain(trace.belt),
        "encoder": encoder_plain(machine.encoder, stretch.draws.phases()),
        "carriers": carriers_plain(stretch),
        "carrier_eye": blocked_plain(carrier_eye_blocked(stretch)),
        **_input("carrier_input", stretch, machine.carrier_eye, carrier_eye_runs(stretch)),
        "feeders": [
            _feeder(stretch, j, missed_s=missed_s[j], hazards=hazards[j], outside=outside[j])
            | stories_plain(stretch, j, units=units, outside=outside[j])
            for j in numbers
        ],
        "needs": list(needed(stretch.machine, criteria_of(stretch.scenario))),
        "gate": gate_plain(stretch),
        "complete_before": complete_before(stretch),
        "events": _events(stretch),
        "happenings": scene_events_plain(shown),
        "stops": standing_plain(records, from_s=stretch.from_s, to_s=stretch.to_s),
    }


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


def _feeder(
    stretch: Excerpt,
    number: int,
    *,
    missed_s: Floats,
    hazards: Sequence[CycleHazard],
    outside: Bools,
) -> dict[str, Plain]:
    machine = stretch.machine.feeders[number]
    inserts = inserts_of(
        stretch, number, draws=stretch.draws, feed=stretch.feeds[number], until_s=stretch.to_s
    )
    runs = insert_eye_runs(stretch.machine, number, inserts, stretch.feeds[number])
    return {
        "name": stretch.scenario.feeder[number].name,
        "geometry": _geometry(machine),
        "feed": feed_plain(
            stretch.feeds[number],
            from_s=stretch.from_s,
            to_s=stretch.to_s,
            gain_per_s=machine.servo.loop_gain_per_s,
        ),
        "inserts": inserts_plain(inserts, stretch, number),
        "insert_eye": blocked_plain(in_stretch(runs, stretch)),
        **_input("insert_input", stretch, machine.eye, runs),
        "rows": _rows(stretch, number, missed_s=missed_s, hazards=hazards, outside=outside),
        "before": _before(stretch, number, hazards),
    }


def _input(key: str, stretch: Excerpt, eye: Eye, runs: list[OnInterval]) -> dict[str, Plain]:
    """Return what the program sees of an eye, and its scans; nothing if it sees the output."""
    if not filters(eye):
        return {}
    scan = stretch.machine.controller.scan_s if eye.polled else 0.0
    phase = stretch.draws.phases().ticks_s
    levels = blocked_plain(program_input(runs, eye, stretch))
    return {key: {"levels": levels, "scan_s": scan, "phase_s": phase}}


def _geometry(feeder: Feeder) -> dict[str, Plain]:
    return {
        "eye_to_placement_mm": feeder.eye_to_placement_mm,
        "insert_eye_to_placement_mm": feeder.insert_eye_to_placement_mm,
        "grip_end_mm": feeder.grip_end_mm,
        "nose_limit_mm": feeder.nose_limit_mm,
        "insert_length_mm": feeder.inserts.length_mm,
        "insert_pitch_mm": feeder.inserts.length_mm + feeder.inserts.gap_mm,
        "stage_position_mm": feeder.settings.stage_position_mm,
        "target_offset_mm": feeder.settings.target_offset_mm,
    }


def _rows(
    stretch: Excerpt,
    number: int,
    *,
    missed_s: Floats,
    hazards: Sequence[CycleHazard],
    outside: Bools,
) -> dict[str, Plain]:
    """Return what the feeder did for each carrier that comes into the picture, as columns."""
    feeder = stretch.records.feeders[number]
    here = slice(stretch.carriers.start, stretch.carriers.stop)
    return {
        "outcome": column(feeder.outcome[here], "u1"),
        "insert": column(feeder.insert[here], "i4"),
        "missed_s": column(missed_s[here]),
        "outside": column(outside[here], "u1"),
        **{name: column(getattr(feeder, name)[here]) for name in _FLOATS},
        **{name: column(getattr(feeder, name)[here], "u1") for name in _FLAGS},
        "margins": {h.name: column(h.margin[here]) for h in hazards},
        "hazards": {h.name: column(h.there[here], "u1") for h in hazards},
    }


def _before(stretch: Excerpt, number: int, hazards: Sequence[CycleHazard]) -> dict[str, Plain]:
    """Return the outcomes of the carriers before those in the picture."""
    before = stretch.carriers.start
    rows = stretch.records.feeders[number]
    outcomes = np.bincount(rows.outcome[:before], minlength=len(Outcome))
    at_risk = np.zeros(before, dtype=np.bool_)
    for hazard in hazards:
        at_risk |= hazard.there[:before]
    errors = rows.placement_error_mm[:before][rows.outcome[:before] == Outcome.PLACED]
    return {
        "outcomes": [int(count) for count in outcomes],
        "cycles": int(np.count_nonzero(rows.insert[:before] >= 0)),
        "at_risk": int(np.count_nonzero(at_risk)),
        "error_sum_mm": plain(float(errors.sum())),
        "error_square_sum_mm2": plain(float((errors * errors).sum())),
    }


def _events(stretch: Excerpt) -> dict[str, Plain]:
    """Return the events of the stretch as columns; ``what`` is an index into ``names``."""
    here = [e for e in stretch.trace.events if stretch.from_s <= e.time_s <= stretch.to_s]
    names = sorted({(e.part, e.event) for e in here})
    numbers = {name: number for number, name in enumerate(names)}
    return {
        "names": [list(name) for name in names],
        "time_s": column([e.time_s for e in here]),
        "what": column([numbers[e.part, e.event] for e in here], "u1"),
        "carrier": column([e.carrier for e in here], "i4"),
        "insert": column([e.insert for e in here], "i4"),
    }
