"""What happened to each carrier of a run: lanes of marks below its errors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Places
from feedsim.machine import Machine
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome

_MOST_REGIMES = 4


class MarkRow(NamedTuple):
    """Marks of one kind: their carriers, and words for each of them, or none at all."""

    name: str
    carriers: Places
    words: tuple[str, ...] = ()


def mark_rows(
    records: RunRecords, machine: Machine, number: int, *, hazard: Bools
) -> tuple[MarkRow, ...]:
    """Return what happened at a feeder, by its number, and to the line, kind by kind.

    ``hazard``: whether a carrier's feed cycle had one, the warm-up included, shape (n,).
    """
    first = records.warm_up
    missed = records.feeders[number].outcome[first:] != Outcome.PLACED
    found = [
        MarkRow("missed", np.flatnonzero(missed) + first),
        MarkRow("hazard", np.flatnonzero(hazard[first:]) + first),
        _lane("stopped", _stops(records, number), first=records.warm_up),
    ]
    if machine.supervision is not None:
        found.append(_lane("fault", _faults(records, machine, number), first=records.warm_up))
    changes = [(change.next_carrier, "") for change in records.adjustments]
    found.append(_lane("changed", changes, first=records.warm_up))
    return tuple(lane for lane in found if len(lane.carriers) or lane.name in {"missed", "hazard"})


def _lane(
    name: str, marks: Iterator[tuple[int, str]] | list[tuple[int, str]], *, first: int
) -> MarkRow:
    kept = [(carrier, words) for carrier, words in marks if carrier >= first]
    return MarkRow(
        name,
        np.array([carrier for carrier, _ in kept], dtype=np.intp),
        tuple(words for _, words in kept),
    )


def _stops(records: RunRecords, number: int) -> Iterator[tuple[int, str]]:
    """Yield the first carrier not yet at the eye at each stop, and why it stopped."""
    for stop in records.stops:
        if stop.feeder in {-1, number}:
            rule, cause = (word.replace("_", " ") for word in (stop.rule.value, stop.cause))
            told = rule if not cause or cause in rule else f"{rule}: {cause}"
            yield _next_carrier(records, stop.time_s), told


def _faults(records: RunRecords, machine: Machine, number: int) -> Iterator[tuple[int, str]]:
    """Yield the planned faults of a single run; for several runs only stops are shown."""
    planned = machine.supervision.faults if machine.supervision else ()
    for fault in planned if len(records.begins) == 1 else ():
        if fault.feeder == number or fault.carrier_eye:
            carrier = fault.when.carrier
            if carrier < 0:
                carrier = _next_carrier(records, fault.when.at_s)
            if carrier < len(records.carriers.eye_time_s):
                yield carrier, fault.kind.value.replace("_", " ")


def _next_carrier(records: RunRecords, time_s: float) -> int:
    times = np.nan_to_num(records.carriers.eye_time_s, nan=math.inf)
    return min(int(np.searchsorted(times, time_s)), len(times) - 1)


def regimes(records: RunRecords) -> NDArray[np.int8] | None:
    """Return for each carrier the number of changes before it in its run, the warm-up included.

    None if there were too many to distinguish in a picture.
    """
    n = len(records.carriers.eye_time_s)
    found = np.zeros(n, dtype=np.int8)
    for run, (begin, end) in enumerate(zip(records.begins, (*records.begins[1:], n), strict=True)):
        changes = [a.next_carrier for a in records.adjustments if a.run == run]
        if sum(change < end for change in changes) >= _MOST_REGIMES:
            return None
        for change in changes:
            found[max(begin, change) : end] += 1
    return found
