"""What the divert gate did with each carrier (model, section 17): one row per counted carrier."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Floats
from feedsim.machine import SAME_INSTANT_S, Divert
from feedsim.records.columns import FeederRecords, RunRecords


class Known(IntEnum):
    """First known reason to divert a carrier."""

    NOTHING = 0
    MISSED = 1
    DOUBLED = 2
    LATE = 3


class GateClass(IntEnum):
    """Class of a carrier at the gate."""

    GOOD_PASSED = 0
    GOOD_DIVERTED = 1
    BAD_DIVERTED = 2
    BAD_PASSED = 3
    NOT_REACHED = 4


@dataclass(frozen=True, slots=True)
class GateRows:
    """Columns of shape ``(n,)``, a row per counted carrier.

    ``known_time_s``: when the program first knew a reason to divert the carrier; NaN if never, or
    if forgotten. ``divert_by_time_s``: latest time to know it; infinite or NaN if the carrier never
    reached the gate. ``known`` and ``gate`` hold :class:`Known` and :class:`GateClass`.
    """

    known_time_s: Floats
    divert_by_time_s: Floats
    known: NDArray[np.int8]
    gate: NDArray[np.int8]

    @property
    def reached(self) -> Bools:
        """Carriers that reached the gate."""
        reached: Bools = self.gate != GateClass.NOT_REACHED
        return reached

    @property
    def diverted(self) -> Bools:
        """Carriers that the gate took off the line."""
        off: Bools = (self.gate == GateClass.GOOD_DIVERTED) | (self.gate == GateClass.BAD_DIVERTED)
        return off


def gate_rows(
    records: RunRecords, divert: Divert, *, needs: tuple[int, ...], good: Bools
) -> GateRows:
    """Return what the gate of a line did with each counted carrier.

    ``needs``: feeders, by number, whose miss makes a product incomplete. ``good``: whether each
    counted carrier's product is good, shape (n,).
    """
    by = records.carriers.divert_by_time_s[records.warm_up :]
    known_s = np.full(len(by), np.inf)
    known = np.full(len(by), int(Known.NOTHING), dtype=np.int8)
    warm_up = records.warm_up
    for number, feeder in enumerate(records.feeders):
        for what, when in _instants(feeder, divert, needed=number in needs, warm_up=warm_up):
            sooner = when < known_s  # never where it is NaN
            known_s = np.where(sooner, when, known_s)
            known[sooner] = what
    forgotten = _forgotten(records, by)
    known_s = np.where(forgotten | np.isinf(known_s), np.nan, known_s)
    known[np.isnan(known_s)] = Known.NOTHING
    reached = np.isfinite(by)
    diverted = reached & (known_s <= by + SAME_INSTANT_S)
    gate = np.where(
        good,
        np.where(diverted, GateClass.GOOD_DIVERTED, GateClass.GOOD_PASSED),
        np.where(diverted, GateClass.BAD_DIVERTED, GateClass.BAD_PASSED),
    )
    gate = np.where(reached, gate, GateClass.NOT_REACHED).astype(np.int8)
    return GateRows(known_s, by, known, gate)


def _instants(
    feeder: FeederRecords, divert: Divert, *, needed: bool, warm_up: int
) -> list[tuple[Known, Floats]]:
    """Return when one feeder's program knew each reason (s); NaN: never."""
    found = []
    closed = feeder.engage_time_s[warm_up:]
    if divert.missed and needed:
        found.append((Known.MISSED, feeder.missed_time_s[warm_up:]))
    if divert.doubled:
        called = feeder.called_double[warm_up:] != 0
        found.append((Known.DOUBLED, np.where(called, closed, np.nan)))
    if divert.late:
        late = feeder.late_engage[warm_up:] != 0
        found.append((Known.LATE, np.where(late, closed, np.nan)))
    return found


def _forgotten(records: RunRecords, by: Floats) -> Bools:
    """Return which carriers the program forgot because the encoder lost its place."""
    came = records.carriers.eye_time_s[records.warm_up :]
    forgotten = np.zeros(len(by), dtype=np.bool_)
    ends = [*records.begins[1:], len(by)]
    for stop in records.stops:
        homed = [step.time_s for step in stop.steps if step.step == "homed"]
        if homed:  # only carriers of the same run were on the line
            run = slice(records.begins[stop.run], ends[stop.run])
            forgotten[run] |= (came[run] <= homed[-1] + SAME_INSTANT_S) & (
                by[run] >= stop.time_s - SAME_INSTANT_S
            )
    return forgotten
