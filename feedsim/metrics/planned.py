"""What a scenario plans to change while the line runs, carrier by carrier."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from itertools import count
from typing import NamedTuple

import numpy as np

from feedsim.machine import FaultKind, Machine, PlannedFault
from feedsim.metrics.course import Course, Labels, numbered
from feedsim.records.columns import RunRecords
from feedsim.records.stop import Stop


class _Change(NamedTuple):
    """A planned event, from one time to another (s); ``lasting``: after it nothing is as before."""

    number: int
    from_s: float
    until_s: float
    lasting: bool


def course_of(records: RunRecords, machine: Machine) -> Course:
    """Return how the carriers of these records are divided, the warm-up included.

    A planned change (:class:`feedsim.machine.Adjust`, or a corner of the speed profile) begins a
    stratum; carriers on their way through the machine at that time have one of their own, until the
    belt may have reached its speed, and so have those of a planned fault, until the line runs
    again.
    """
    supervision = machine.supervision
    plans = supervision is not None and (supervision.faults or supervision.adjusts)
    if not plans and len(machine.line.profile) < 2:
        return Course(records.begins)
    labels = np.zeros(len(records.carriers.eye_time_s), dtype=np.int32)
    for number, rows in enumerate(Course(records.begins).runs(len(labels))):
        _Run(records, machine, number, rows).label(labels)
    counted = labels[records.warm_up :]
    several = len(counted) > 0 and counted.min() < counted.max()
    return Course(records.begins, numbered(labels) if several else None)


class _Run:
    """One of the runs in some records: ``number`` from 0, and its rows."""

    def __init__(self, records: RunRecords, machine: Machine, number: int, rows: slice) -> None:
        self._records, self._machine = records, machine
        self._number, self._rows = number, rows
        self._stops = [stop for stop in records.stops if stop.run == number]
        line, supervision = machine.line, machine.supervision
        changed = supervision.adjusts if supervision else ()
        speeds = [line.speed_mm_s, *(speed for _, speed in line.profile)]
        speeds += [adjust.speed_mm_s for adjust in changed if adjust.speed_mm_s is not None]
        self._ramp_s = max(speeds) / line.acceleration_mm_s2

    def label(self, labels: Labels) -> None:
        """Write the stratum of each of the run's carriers, in order of time."""
        end = self._rows.stop
        for change in sorted(self._changes(), key=lambda change: change.from_s):
            first, last = self._under_way(change)
            if change.until_s > change.from_s:
                labels[first:last] = 2 * change.number + 1
                first = last
            if change.lasting:
                labels[first:end] = 2 * change.number + 2

    def _under_way(self, change: _Change) -> tuple[int, int]:
        """Return the first carrier not at its target by then, and the first that comes after."""
        begin, end = self._rows.start, self._rows.stop
        carriers = self._records.carriers
        later = [
            bisect_right(carriers.eye_time_s, t, begin, end, key=_or_never)
            for t in (change.from_s, change.until_s)
        ]
        if later[0] == begin:
            return begin, later[1]
        come_mm = float(carriers.leading_edge_mm[later[0] - 1])
        way_mm = max((feeder.to_target_mm for feeder in self._machine.feeders), default=0.0)
        first = bisect_left(carriers.leading_edge_mm, come_mm - way_mm, begin, later[0])
        return first, later[1]

    def _changes(self) -> Iterator[_Change]:
        """Yield what was planned and came to pass; a plan has the same number in every run."""
        line, supervision = self._machine.line, self._machine.supervision
        numbers = count()
        for time_s, _ in line.profile:
            at = self._delayed(time_s + self._records.zeros_s[self._number])
            yield _Change(next(numbers), at, at, lasting=True)
        if supervision is None:
            return
        made = (a for a in self._records.adjustments if a.run == self._number)
        for _ in supervision.adjusts:
            number, adjustment = next(numbers), next(made, None)
            if adjustment is not None:
                at = adjustment.time_s
                yield _Change(number, at, at + self._ramp_s, lasting=True)
        for fault in supervision.faults:
            number, begin_s = next(numbers), self._came(fault)
            if begin_s is not None:
                until_s = self._over(fault, begin_s) + self._ramp_s
                yield _Change(number, begin_s, until_s, lasting=False)

    def _delayed(self, time_s: float) -> float:
        """Return when the belt comes to a point of its profile, the time of stops added (s)."""
        for stop in self._stops:
            if stop.time_s < time_s:
                time_s += _restart(stop) - stop.time_s
        return time_s

    def _came(self, fault: PlannedFault) -> float | None:
        """Return when a fault came (s); None if it never did, or in a warm-up that is left out."""
        records, begin = self._records, self._rows.start
        if fault.when.carrier < 0:
            time_s = fault.when.at_s + records.zeros_s[self._number]
            early = records.left_out and time_s < records.carriers.eye_time_s[begin]
            return None if early else time_s
        row = begin + fault.when.carrier - records.left_out
        if not begin <= row < self._rows.stop:
            return None
        time_s = float(records.carriers.eye_time_s[row])
        return None if math.isnan(time_s) else time_s

    def _over(self, fault: PlannedFault, begin_s: float) -> float:
        """Return when a fault is over: with the next restart, or with an eye that is clean."""
        restarts = (_restart(stop) for stop in self._stops)
        over = min((at for at in restarts if at > begin_s), default=math.inf)
        if fault.kind is FaultKind.EYE_DIRTY:
            over = min(over, begin_s + fault.duration_s)
        return over


def _restart(stop: Stop) -> float:
    return _or_never(stop.restarted_s)


def _or_never(time_s: float) -> float:
    """Return a time, infinite for NaN: it never came."""
    return math.inf if math.isnan(time_s) else float(time_s)
