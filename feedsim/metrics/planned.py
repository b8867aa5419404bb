"""What a scenario plans to change while the line runs, carrier by carrier."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from feedsim.machine import Adjust, FaultKind, Machine, PlannedFault, When
from feedsim.metrics.course import Course, Labels, numbered
from feedsim.metrics.moving_ends import By, End, moves_of
from feedsim.records.columns import RunRecords
from feedsim.records.corners import corners_s
from feedsim.records.stop import Stop

_SAME_S = 1e-6
_CORNER = -1

Phases = tuple[tuple[int, int], ...]
"""Number of each change that has come and left something, and its phase: 1 under way."""


class _Change(NamedTuple):
    """A planned event from one time to another (s), and its phase after that (0: as before).

    ``by``: what fixes the carrier at which it comes. ``lasts_s``: for how long at most, if a time
    or clearing ends it; else None.
    """

    number: int
    from_s: float
    until_s: float
    then: int
    by: By
    lasts_s: float | None = None


def course_of(records: RunRecords, machine: Machine) -> Course:
    """Return how the carriers of these records are divided, the warm-up included.

    A planned change (:class:`feedsim.machine.Adjust`, a corner of the speed profile, a planned
    fault) divides them into those before it, those on their way through the machine as it comes,
    until it is over and the belt may have reached its speed, and those after it; a stratum has the
    same phases of all changes. After a fault all is as before.
    """
    supervision = machine.supervision
    plans = supervision is not None and (supervision.faults or supervision.adjusts)
    if not plans and len(machine.line.profile) < 2:
        return Course(records.begins)
    labels = np.zeros(len(records.carriers.eye_time_s), dtype=np.int32)
    strata: dict[Phases, int] = {}
    ends = [
        _Run(records, machine, number, rows).label(labels, strata)
        for number, rows in enumerate(Course(records.begins).runs(len(labels)))
    ]
    counted = labels[records.warm_up :]
    several = len(counted) > 0 and counted.min() < counted.max()
    if not several:
        return Course(records.begins)
    labels = numbered(labels)
    return Course(records.begins, labels, moves=moves_of(records, machine, labels, ends))


class _Run:
    """One of the runs in some records: ``number`` from 0, and its rows."""

    def __init__(self, records: RunRecords, machine: Machine, number: int, rows: slice) -> None:
        self._records, self._machine = records, machine
        self._rows, self._zero_s = rows, records.zeros_s[number]
        self._stops = [stop for stop in records.stops if stop.run == number]
        self._made = [made for made in records.adjustments if made.run == number]
        line, supervision = machine.line, machine.supervision
        self._adjusts = supervision.adjusts if supervision else ()
        self._faults = supervision.faults if supervision else ()
        speeds = [line.speed_mm_s, *(speed for _, speed in line.profile)]
        speeds += [a.speed_mm_s for a in self._adjusts if a.speed_mm_s is not None]
        self._ramp_s = max(speeds) / line.acceleration_mm_s2

    def label(self, labels: Labels, strata: dict[Phases, int]) -> list[End]:
        """Write the stratum of each of the run's carriers; new ones are added to ``strata``.

        Return where they may end, and what fixes it.
        """
        found = [(change, *self._under_way(change)) for change in self._changes()]
        places = {place for _, first, last in found for place in (first, last)}
        for begin, end in pairwise(sorted({self._rows.start, self._rows.stop, *places})):
            now: dict[int, int] = {}
            for change, first, last in found:
                phase = 0 if begin < first else 1 if begin < last else change.then
                now[change.number] = max(phase, now.get(change.number, 0))
            phases = tuple((number, phase) for number, phase in sorted(now.items()) if phase)
            labels[begin:end] = strata.setdefault(phases, len(strata))
        return [
            end
            for change, first, last in found
            for end in (
                End(first, change.by, change.from_s),
                End(last, change.by, change.from_s)
                if change.lasts_s is None
                else End(last, By.TIME, change.from_s + change.lasts_s, change.from_s),
            )
        ]

    def _under_way(self, change: _Change) -> tuple[int, int]:
        """Return the first carrier not at its target by then, and the first that comes after."""
        begin, end = self._rows.start, self._rows.stop
        carriers = self._records.carriers
        come, last = (
            bisect_right(carriers.eye_time_s, t, begin, end, key=_or_never)
            for t in (change.from_s, change.until_s)
        )
        first = come
        if come > begin:
            come_mm = float(carriers.leading_edge_mm[come - 1])
            way_mm = max((feeder.to_target_mm for feeder in self._machine.feeders), default=0.0)
            first = bisect_left(carriers.leading_edge_mm, come_mm - way_mm, begin, come)
        return first, last if change.until_s > change.from_s else first

    def _changes(self) -> Iterator[_Change]:
        """Yield what was planned and came to pass; a plan has the same number in every run."""
        yield from self._corners()
        for number, adjust in enumerate(self._adjusts):
            at = self._made_s(adjust)
            if at is not None:
                until_s = max([at, *(_restart(s) for s in self._stops if s.time_s <= at)])
                yield _Change(number, at, until_s + self._ramp_s, 2, _by(adjust.when))
        for number, fault in enumerate(self._faults, len(self._adjusts)):
            begin_s = self._came_s(fault.when)
            if begin_s is not None:
                over_s, by = self._over_s(fault, begin_s), _by(fault.when)
                lasts_s = fault.duration_s if fault.kind is FaultKind.EYE_DIRTY else None
                yield _Change(number, begin_s, over_s, 0, by, lasts_s)

    def _corners(self) -> Iterator[_Change]:
        """Yield the corners of the profile, up to a change of the line speed by the operator."""
        line = self._machine.line
        if len(line.profile) < 2:
            return
        made = (self._made_s(a) for a in self._adjusts if a.speed_mm_s is not None)
        end_s = min((at for at in made if at is not None), default=math.inf)
        for place, at in enumerate(corners_s(line, self._stops, zero_s=self._zero_s)):
            if at < end_s:
                yield _Change(_CORNER, at, at, place + 2, By.CORNER)

    def _made_s(self, adjust: Adjust) -> float | None:
        """Return when a change was made (s); None if never, or in a warm-up that is left out."""
        before, when = self._rows.start - self._records.left_out, adjust.when
        for made in self._made:
            same = made.next_carrier - before == when.carrier
            if when.carrier < 0:
                same = abs(made.time_s - self._zero_s - when.at_s) <= _SAME_S
            if same:
                return made.time_s
        return None

    def _came_s(self, when: When) -> float | None:
        """Return when a fault came (s); None if it never did, or in a warm-up that is left out."""
        records, begin = self._records, self._rows.start
        if when.carrier < 0:
            time_s = when.at_s + self._zero_s
            early = records.left_out and time_s < records.carriers.eye_time_s[begin]
            return None if early else time_s
        row = begin + when.carrier - records.left_out
        if not begin <= row < self._rows.stop:
            return None
        time_s = float(records.carriers.eye_time_s[row])
        return None if math.isnan(time_s) else time_s

    def _over_s(self, fault: PlannedFault, begin_s: float) -> float:
        """Return when a fault is over: after the next restart, or with an eye that is clean."""
        restarts = (_restart(stop) for stop in self._stops)
        over = min((at for at in restarts if at > begin_s), default=math.inf) + self._ramp_s
        if fault.kind is FaultKind.EYE_DIRTY:
            over = min(over, begin_s + fault.duration_s)
        return over


def _by(when: When) -> By:
    return By.CARRIER if when.carrier >= 0 else By.TIME


def _restart(stop: Stop) -> float:
    return _or_never(stop.restarted_s)


def _or_never(time_s: float) -> float:
    """Return a time, infinite for NaN: it never came."""
    return math.inf if math.isnan(time_s) else float(time_s)
