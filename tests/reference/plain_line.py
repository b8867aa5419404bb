"""The plain implementation, part 4: the whole line.

A second implementation of the model, for the tests, written from the model page alone
and without the engine. Plain before fast: feeders run one after another, since only the
start of a belt that rests at first couples them.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.draws.line_draws import CarrierDraw, Draws
from feedsim.machine import Machine
from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.outcome import Outcome
from tests.reference.plain_eye import MERGED, SEEN, PlainInput
from tests.reference.plain_feeder import Mark, PlainFeeder
from tests.reference.plain_motion import TINY_S, Belt
from tests.reference.plain_points import Controller, Ticks

FLOATS = (
    "engage_time_s",
    "stage_position_mm",
    "placement_time_s",
    "offset_mm",
    "placement_error_mm",
    "nose_speed_mm_s",
    "belt_speed_mm_s",
    "opening_time_s",
    "tail_mm",
    "ready_time_s",
    "demanded_acceleration_mm_s2",
    "missed_time_s",
)


def plain_run(machine: Machine, draws: Draws, carriers: int) -> RunRecords:
    """Simulate ``carriers`` carriers, the warm-up included, and return every record."""
    phases = draws.phases()
    control = machine.controller
    scan = Ticks(phases.ticks_s, control.scan_s)
    motion = Ticks(phases.ticks_s, control.motion_cycle_s)
    feeders = [
        PlainFeeder(machine, i, draws.inserts(i), ticks=(scan, motion))
        for i in range(len(machine.feeders))
    ]
    started = 0.0
    if machine.start_empty:
        started = max(f.ended if f.staged is None else f.ready for f in feeders)
    belt = Belt(
        machine.line,
        machine.encoder.scale_error,
        filter_s=control.speed_filter_s,
        rest_until_s=started if machine.start_empty else None,
    )
    controller = Controller(belt, machine.encoder, phase=phases.encoder, motion=motion)
    source = draws.carriers()
    cards = [CarrierDraw(*next(source)) for _ in range(carriers)]
    for feeder in feeders:
        outcomes, marks = see_carriers(machine, cards, belt, controller, scan)
        feeder.outcomes.update(outcomes)
        feeder.start(belt, controller)
        feeder.run(marks)
    return RunRecords(
        warm_up=0,
        start_time_s=started,
        carriers=CarrierRecords(
            leading_edge_mm=np.array([c.leading_edge_mm for c in cards]),
            eye_time_s=np.array([belt.time_at(c.leading_edge_mm) for c in cards]),
            divert_by_time_s=divert_by(machine, cards, belt),
        ),
        feeders=tuple(records(f, cards, belt) for f in feeders),
    )


def see_carriers(machine, cards, belt, controller, scan):
    """Return the outcomes of carriers that are not seen, and the marks of all others."""
    eye = machine.carrier_eye
    outcomes: dict[int, Outcome] = {}
    marks: list[Mark] = []
    output_off = -math.inf
    last_switching = 0.0
    level = PlainInput(eye, scan, lambda tail: belt.time_at(tail) + eye.off_response_s)
    for k, card in enumerate(cards):
        if card.missed:
            outcomes[k] = Outcome.NOT_SEEN
            continue
        passed = belt.time_at(card.seen_edge_mm)
        if eye.polled or eye.filter_s > 0.0:
            switches = max(passed + card.eye_delay_s, level.last_on())
            tail = card.leading_edge_mm + machine.carriers.length_mm
            what, switched = level.comes(passed, switches, tail)
            if what == SEEN:
                known = scan.at_or_after(switched)
                captured = controller.reading(known if eye.scanned else switched)
                marks.append(Mark(carrier=k, switched=switched, known=known, captured=captured))
            else:
                outcomes[k] = Outcome.MERGED if what == MERGED else Outcome.NOT_SEEN
            continue
        merged = passed < output_off - TINY_S
        tail = card.leading_edge_mm + machine.carriers.length_mm
        output_off = belt.time_at(tail) + eye.off_response_s
        if merged:
            outcomes[k] = Outcome.MERGED
            continue
        switched = max(passed + card.eye_delay_s, last_switching)
        last_switching = switched
        known = scan.at_or_after(switched)
        captured = controller.reading(known if eye.scanned else switched)
        marks.append(Mark(carrier=k, switched=switched, known=known, captured=captured))
    return outcomes, marks


def divert_by(machine, cards, belt):
    """Return until when each carrier must be known as one to divert (section 17)."""
    gate = machine.divert
    if gate is None:
        return np.empty(0)
    short = gate.at_mm - gate.decide_before_mm
    return np.array([belt.time_at(c.leading_edge_mm + short) - gate.gate_time_s for c in cards])


def records(feeder: PlainFeeder, cards, belt) -> FeederRecords:
    """Land the inserts and fill every column of one feeder."""
    n = len(cards)
    number = {"insert": -1, "strays": 0, "double": 0, "called_double": 0}
    number |= {"late_engage": 0, "late_opening": 0, "outcome": -1}
    rows = [dict(number) for _ in range(n)]
    for k, outcome in feeder.outcomes.items():
        rows[k]["outcome"] = int(outcome)
        rows[k]["missed_time_s"] = feeder.known_missed.get(k, math.nan)
    placed = 0
    for cycle in feeder.cycles:
        row = rows[cycle.carrier]
        row |= {
            "outcome": int(Outcome.NOT_STAGED),
            "insert": cycle.insert,
            "engage_time_s": cycle.closed,
            "stage_position_mm": cycle.stage_position,
            "opening_time_s": cycle.opened,
            "tail_mm": cycle.tail,
            "ready_time_s": cycle.ready,
            "demanded_acceleration_mm_s2": cycle.demanded,
            "strays": cycle.strays,
            "double": int(cycle.double),
            "called_double": int(cycle.called_double),
            "late_engage": int(cycle.late_engage),
            "late_opening": int(cycle.late_opening),
        }
        reach = feeder.feed.time_at(cycle.nose + feeder.feeder.insert_eye_to_placement_mm)
        landed = max(reach, cycle.closed)
        if landed < math.inf:
            placed += 1
            row |= landing(feeder, cards[cycle.carrier], belt, landed)
    columns = {name: np.array([r.get(name, math.nan) for r in rows]) for name in FLOATS}
    columns["insert"] = np.array([r["insert"] for r in rows], dtype=np.int64)
    columns["strays"] = np.array([r["strays"] for r in rows], dtype=np.int32)
    for name in ("outcome", "double", "called_double", "late_engage", "late_opening"):
        columns[name] = np.array([r[name] for r in rows], dtype=np.int8)
    gone = placed + feeder.strays + feeder.second_halves
    books = InsertBooks(
        drawn=feeder.drawn,
        placed=placed,
        strays=feeder.strays,
        second_halves=feeder.second_halves,
        rejected=0,
        in_feeder=feeder.drawn - gone,
    )
    return FeederRecords(**columns, books=books)


def landing(feeder: PlainFeeder, card: CarrierDraw, belt, t):
    """Return what is recorded when an insert lands for a carrier."""
    offset = belt.travel(t) - card.leading_edge_mm
    offset -= feeder.feeder.eye_to_placement_mm + card.slip_mm
    return {
        "outcome": int(Outcome.PLACED),
        "placement_time_s": t,
        "offset_mm": offset,
        "placement_error_mm": offset - feeder.settings.target_offset_mm,
        "nose_speed_mm_s": feeder.feed.speed(t),
        "belt_speed_mm_s": belt.speed(t),
    }
