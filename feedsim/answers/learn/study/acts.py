"""The modelled controller against the logged one, act by act.

Its inputs are the log's: the eyes' edges, the encoder, and what the feeder did before. So one wrong
act does not cause a second: each is compared with what the settings ask for in the logged state.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from feedsim.answers.learn.study.act_closings import Closings
from feedsim.answers.learn.study.act_faults import faults_of
from feedsim.answers.learn.study.act_matching import OpeningActs, compared_openings
from feedsim.answers.learn.study.act_rows import (
    Act,
    ActShift,
    ComparedActs,
    FeederActs,
    ProgramFault,
    act_rows,
    lost_marks,
)
from feedsim.answers.learn.study.act_windows import (
    Cycle,
    Edge,
    LoggedFeed,
    LogStretch,
    OnTime,
    Points,
    edges_of,
    on_times,
)
from feedsim.logs.belt import LoggedBelt, belt_of_log
from feedsim.logs.log import Log
from feedsim.machine import Machine

_SLOW, _STANDS_S, _BEFORE_S = 0.5, 0.05, 1.0
_PITCHES_AFTER = 3.0
_LONGER = 1.03
"""Lengths of an insert, or a carrier: what keeps its eye on longer is more than one."""


@dataclass(slots=True)
class _Found:
    """Results for one feeder, collected over the stretches of a log."""

    closings: list[Act] = field(default_factory=list)
    openings: list[Act] = field(default_factory=list)
    lost: list[tuple[float, int, float]] = field(default_factory=list)
    marks: int = 0
    contexts: dict[tuple[str, int], set[str]] = field(default_factory=dict)


def compared_acts(log: Log, machine: Machine) -> ComparedActs:
    """Compare every act of a plausible log with what the machine's settings, solved, ask for.

    If carrier eye, encoder or clutch are not logged no act is judged, and the answer says so.
    """
    empty = FeederActs(act_rows([]), act_rows([]), lost_marks([]), 0)
    missing = _missing(log, machine)
    if missing:
        return ComparedActs((empty,) * len(log.feeders), (), tuple(missing))
    not_judged: list[str] = []
    found = [_Found() for _ in log.feeders]
    belts = belt_of_log(log, machine.encoder)
    for belt in belts:
        disturbed = _disturbed(belt, machine)
        if disturbed:
            at = log.clock.text(disturbed[0][0] + belt.begin_s)
            not_judged.append(
                f"Acts are not judged around where the belt stood or ran slowly ({len(disturbed)} "
                f"times, first from {at})."
            )
        for number, one in enumerate(found):
            if log.feeders[number].clutch is None:
                continue
            _stretch(log, machine, number, belt=belt, disturbed=disturbed, found=one)
    for number, feeder in enumerate(log.feeders):
        if feeder.clutch is None:
            not_judged.append(f"feeder.{number}.clutch is not logged: none of its acts is judged.")
        elif feeder.eye is None:
            not_judged.append(f"feeder.{number}.eye is not logged: its openings are not judged.")
    feeders = tuple(
        FeederActs(act_rows(one.closings), act_rows(one.openings), lost_marks(one.lost), one.marks)
        for one in found
    )
    # the middle of an event's interval lies a quarter of a sampling period before that of a sample
    look_s = (0.5 if log.shape == "samples" else 0.75) * _look_s(log)
    faults: list[ProgramFault] = []
    shifts: list[tuple[ActShift, ...]] = []
    for number, acts in enumerate(feeders):
        contexts = found[number].contexts
        told, shift = faults_of(acts, machine, number, contexts=contexts, look_s=look_s)
        faults += [replace(fault, first_at=log.clock.text(fault.first_s)) for fault in told]
        shifts.append(shift)
    return ComparedActs(feeders, tuple(faults), tuple(not_judged), tuple(shifts))


def _look_s(log: Log) -> float:
    return log.period_s if math.isfinite(log.period_s) else log.step_s


def _missing(log: Log, machine: Machine) -> list[str]:
    missing = []
    if log.carrier_eye is None:
        missing.append("carrier_eye is not logged: no act can be compared with its edge.")
    if log.encoder is None:
        missing.append("No encoder is logged: no travel from edge to act is known.")
    if all(feeder.clutch is None for feeder in log.feeders):
        missing.append("No clutch is logged: there are no acts to judge.")
    supervision = machine.supervision
    if supervision is not None and any(adjust.settings for adjust in supervision.adjusts):
        missing.append("The scenario changes settings as it runs: its acts are not judged.")
    return missing


def _disturbed(belt: LoggedBelt, machine: Machine) -> list[tuple[float, float]]:
    """Return spans that are not judged (s of the stretch): where the belt ran slowly or stood.

    From a second before until the belt has run from the eye past the last feeder, plus some
    pitches.
    """
    motion = belt.belt
    length = belt.end_s - belt.begin_s
    starts = np.array(motion.start_times)
    ends = np.minimum(np.array(motion.end_times), length)
    speeds = np.array(motion.start_speeds)
    usual = float(np.average(speeds, weights=np.maximum(ends - starts, 0.0)))
    slow = (speeds < _SLOW * min(usual, machine.line.speed_mm_s)) & (ends - starts > _STANDS_S)
    far = max(feeder.settings.engage_distance_mm for feeder in machine.feeders)
    far += _PITCHES_AFTER * machine.carriers.pitch_mm
    found: list[tuple[float, float]] = []
    for start, end in zip(starts[slow], ends[slow], strict=True):
        until = min(motion.time_at(motion.position(float(end)) + far), length + 1.0)
        begin = float(start) - _BEFORE_S
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], until))
        else:
            found.append((begin, until))
    return found


def _stretch(
    log: Log,
    machine: Machine,
    number: int,
    *,
    belt: LoggedBelt,
    disturbed: list[tuple[float, float]],
    found: _Found,
) -> None:
    """Compare one feeder over one stretch."""
    feeder, logged = machine.feeders[number], log.feeders[number]
    if log.carrier_eye is None or logged.clutch is None:
        return
    begin, end = belt.begin_s, belt.end_s
    cycles = [Cycle(*time) for time in on_times(logged.clutch, begin, end)]
    stretch = LogStretch(
        machine,
        feeder,
        cycles,
        LoggedFeed(belt, feeder, cycles),
        Points(belt, machine),
        disturbed,
        begin,
        end - begin,
        _look_s(log),
    )
    times = on_times(log.carrier_eye, begin, end)
    marks = edges_of(times, machine.carrier_eye, machine.controller)
    opened = OpeningActs()
    hidden = _longer(times, stretch.points.length_mm, machine.carriers.length_mm)
    if logged.eye is None:
        opened.edges = [None] * len(cycles)
    else:
        times = on_times(logged.eye, begin, end)
        edges = edges_of(times, feeder.eye, machine.controller)
        joined = _longer(times, stretch.feed.length_mm, feeder.inserts.length_mm)
        opened = compared_openings(stretch, edges, joined)
    closed = Closings(stretch, marks, opened, hidden=hidden).compared()
    first = 1 + max((act.cycle for act in found.closings), default=-1)
    contexts = _contexts_of(stretch, marks, opened.edges, marks_of=closed.marks_of)
    for kind, acts, into in (
        ("closings", closed.acts, found.closings),
        ("openings", opened.acts, found.openings),
    ):
        for act in acts:
            found.contexts[kind, first + act.cycle] = contexts[act.cycle]
            into.append(replace(act, cycle=first + act.cycle))
    found.lost += closed.lost
    found.marks += closed.marks


def _contexts_of(
    stretch: LogStretch, marks: list[Edge], edges: list[Edge | None], *, marks_of: dict[int, int]
) -> list[set[str]]:
    """Return what each feed cycle came after, in words.

    ``edges``: the insert's edge that each cycle captured; ``marks_of``: the mark that each cycle's
    closing was for.
    """
    found: list[set[str]] = []
    double = [_is_double(edge, stretch) for edge in edges]
    served = set(marks_of.values())
    one_mm = stretch.machine.carriers.length_mm
    merged = [stretch.points.length_mm(mark.on_time) > _LONGER * one_mm for mark in marks]
    for number, cycle in enumerate(stretch.cycles):
        own: set[str] = set()
        # the insert engaged now was captured in the previous cycle, the one ahead in that before
        if any(double[max(number - 2, 0) : number]):
            own.add("a double")
        mark = marks_of.get(number)
        if mark is not None:
            if mark > 0 and merged[mark - 1]:
                own.add("carriers that merged at their eye")
            if mark > 0 and mark - 1 not in served:
                own.add("a carrier that was passed over")
            follower = marks[mark + 1] if mark + 1 < len(marks) else None
            if follower is not None and follower.known_high_s < cycle.close_low_s:
                own.add("another mark that was waiting")
        found.append(own)
    return found


def _is_double(edge: Edge | None, stretch: LogStretch) -> bool:
    if edge is None:
        return False
    return stretch.feed.length_mm(edge.on_time) > _LONGER * stretch.feeder.inserts.length_mm


def _longer(
    times: list[OnTime], length_mm: Callable[[OnTime], float], one_mm: float
) -> list[tuple[float, float]]:
    """Return when an eye was on for more than one insert, or carrier: an edge may be hidden."""
    return [
        (time.on_low_s, time.off_high_s)
        for time in times
        if not length_mm(time) <= _LONGER * one_mm  # or it is not over
    ]
