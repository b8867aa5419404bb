"""State of the compiled engine: flat rows of numbers, read by the names of the model.

A :class:`FeederRow` is one feeder: its numbers and its state. :func:`row_type` makes a NumPy row
type of such a class; the uncompiled functions take a plain object of the class.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any, get_type_hints

import numpy as np

from feedsim.machine import Eye, Machine
from feedsim.motion.capture import Output, eye_delay, output_of
from feedsim.simulation.input_level import Level

Small = Annotated[int, 8]
Count = Annotated[int, 32]
"""Fields that are integers of that many bits."""


class Mark:
    """A mark that the program gets; ``lost`` concerns the carrier of this number, not the mark.

    ``carrier``: its number among the present carriers. ``tick_s``: the scan tick that makes it
    known; ``known_s``: when that happens, not before the eye's previous result. ``lost``: how that
    carrier is lost, −1 if it gives a mark.
    """

    carrier: int
    reading: float
    tick_s: float
    known_s: float
    lost: Small


class Row:
    """A carrier's row of :class:`~feedsim.records.columns.FeederRecords` while it is filled in.

    The last fields are queues, in order of arrival: ``flight``, ``target_mm``, the row of an insert
    on its way and where it lands; ``memory``, ``memory_reading``, ``memory_known_s``,
    ``memory_late``, the row of a mark that was taken.
    """

    outcome: Small
    insert: int
    engage_time_s: float
    stage_position_mm: float
    placement_time_s: float
    nose_speed_mm_s: float
    opening_time_s: float
    tail_mm: float
    ready_time_s: float
    strays: Count
    double: Small
    called_double: Small
    late_engage: Small
    late_opening: Small
    missed_time_s: float
    flight: int
    target_mm: float
    memory: int
    memory_reading: float
    memory_known_s: float
    memory_late: bool


@dataclass(slots=True)
class DecisionKept:
    """The decision on the next insert, kept until it is taken."""

    since_s: float = 0.0
    on_s: float = 0.0
    counts: bool = False
    shown: bool = False


@dataclass(slots=True)
class EyeState:
    """The carrier eye: its numbers, and its state after the last carrier."""

    length_mm: float
    output: Output
    scanned: bool
    has_level: bool
    level: Level
    switched_s: float = -math.inf
    now_s: float = 0.0


@dataclass(slots=True)
class FeederRow:
    """One feeder: its numbers, then its state (``now_s`` and all after it)."""

    first_nose_mm: float
    output: Output
    scanned: bool
    has_level: bool
    level: Level
    stage_position_mm: float
    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float
    speed_ratio: float
    stage_correction: bool
    room_mm: float
    eye_to_placement_mm: float
    search_limit_mm: float
    mark_memory: int
    late_mark_engages: bool
    not_ready_engages: bool
    command_delay_s: float
    settle_s: float
    ramp_in: float
    ramp_out: float
    travel_ramp: bool
    nominal_delay_s: float
    jog_speed_mm_s: float
    decision: DecisionKept = field(default_factory=DecisionKept)
    now_s: float = 0.0
    # the sequence: what it waits for, until when, and its search
    phase: int = 0
    step_s: float = math.inf
    planned: bool = False
    fate: int = 0
    since_s: float = 0.0
    carrier: int = -1
    limit_mm: float = math.inf
    opens_s: float = -math.inf
    ready_s: float = math.inf
    rest_mm: float = math.nan
    tail_mm: float = math.nan
    staged_at_mm: float = math.nan
    correction_mm: float = 0.0
    failed: bool = False
    at_rest: bool = False
    holds_insert: bool = False
    # the eye
    next_insert: int = 0
    held_number: int = -1
    looked: bool = False
    # the insert found last
    found: int = 0
    found_nose_mm: float = 0.0
    found_length_mm: float = 0.0
    found_slip_mm: float = 0.0
    found_double: bool = False
    found_called: bool = False
    found_captured_s: float = 0.0
    found_known_s: float = 0.0
    found_reading: float = math.nan
    found_speed_mm_s: float = math.nan
    first_card: int = 0
    # marks, and inserts on their way
    marks: int = 0
    next_mark: int = 0
    last_marks: bool = True
    first_row: int = 0
    head: int = 0
    waiting: int = 0
    waits: bool = False
    due_s: float = math.inf
    flight: int = 0
    flying: int = 0
    lands_s: float = math.inf
    # the books
    drawn: int = 0
    placed: int = 0
    strays: int = 0
    second_halves: int = 0


def eye_of(machine: Machine) -> EyeState:
    """Return the carrier eye before the first carrier."""
    eye, fastest = machine.carrier_eye, machine.fastest_mm_s
    return EyeState(length_mm=machine.carriers.length_mm, **_eye_numbers(eye, fastest))


def feeder_row(machine: Machine, number: int) -> FeederRow:
    """Return a feeder before the first carrier, nothing staged yet."""
    feeder, controller = machine.feeders[number], machine.controller
    eye, settings, clutch = feeder.eye, feeder.settings, feeder.clutch
    return FeederRow(
        first_nose_mm=machine.first_nose_mm(number),
        **_eye_numbers(eye, machine.fastest_feed_mm_s(number)),
        stage_position_mm=settings.stage_position_mm,
        engage_distance_mm=settings.engage_distance_mm,
        engage_lead_s=settings.engage_lead_s,
        disengage_distance_mm=settings.disengage_distance_mm,
        disengage_lead_s=settings.disengage_lead_s,
        speed_ratio=settings.speed_ratio,
        stage_correction=settings.stage_correction,
        room_mm=machine.carriers.reach_mm(settings),
        eye_to_placement_mm=feeder.insert_eye_to_placement_mm,
        search_limit_mm=controller.search_limit_mm,
        mark_memory=controller.mark_memory,
        late_mark_engages=controller.late_mark_engages,
        not_ready_engages=controller.not_ready_engages,
        command_delay_s=feeder.servo.command_delay_s,
        settle_s=clutch.settle_s,
        ramp_in=clutch.ramp_in,
        ramp_out=clutch.ramp_out,
        travel_ramp=clutch.travel_ramp,
        nominal_delay_s=eye_delay(eye, controller),
        jog_speed_mm_s=feeder.jog_speed_mm_s,
    )


def _eye_numbers(eye: Eye, fastest_mm_s: float) -> dict[str, Any]:
    return {
        "output": output_of(eye, fastest_mm_s=fastest_mm_s),
        "scanned": eye.scanned,
        "has_level": eye.polled or eye.filter_s > 0.0,
        "level": Level(polled=eye.polled, filter_s=eye.filter_s),
    }


_CODES = {float: "f8", bool: "?", int: "i8", Small: "i1", Count: "i4"}


@cache
def row_type(kind: type) -> np.dtype[Any]:
    """Return the type of a row that has the annotated fields of a class, nested ones within."""
    hints = get_type_hints(kind, include_extras=True)
    return np.dtype([(n, _CODES.get(t) or row_type(t)) for n, t in hints.items()], align=True)
