"""Lines whose program does otherwise than its settings say, for logs of a known fault.

A fault is planted in the engine as it runs, and counts how often it struck.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from feedsim.machine import Machine
from feedsim.motion.master import Master
from feedsim.simulation import mark_memory
from feedsim.simulation.mark_memory import Mark, MarkMemory
from feedsim.simulation.staging_clutch import StagingClutch
from tests.logged import LoggedRun, logged_run


class Struck:
    """How often a fault struck, and the carriers it struck at."""

    def __init__(self) -> None:
        self.carriers: list[int] = []

    def __len__(self) -> int:
        return len(self.carriers)


@contextmanager
def planted() -> Iterator[tuple[pytest.MonkeyPatch, Struck]]:
    with pytest.MonkeyPatch.context() as patch:
        yield patch, Struck()


def run_of(machine: Machine, *, carriers: int, seed: int) -> LoggedRun:
    return logged_run(machine, carriers=carriers, seed=seed)


def late_by_ticks(machine: Machine, ticks: int, *, carriers: int, seed: int) -> LoggedRun:
    """Every act comes so many motion ticks late."""
    with planted() as (patch, _):
        first = Master.first_action

        def later(self: Master, mark: float, distance: float, **options: float) -> float:
            t = first(self, mark, distance, **options)
            return t + ticks * self.cycle_s if t < math.inf else t

        patch.setattr(Master, "first_action", later)
        return run_of(machine, carriers=carriers, seed=seed)


def with_settings(machine: Machine, **changes: float) -> Machine:
    """Return the line as a program with other settings runs it."""
    feeders = tuple(
        replace(feeder, settings=replace(feeder.settings, **changes)) for feeder in machine.feeders
    )
    return replace(machine, feeders=feeders)


def wrong_scale(machine: Machine, ratio: float) -> Machine:
    """Counts per millimetre are wrong: distances run are so many times those typed in."""
    settings = machine.feeders[0].settings
    return with_settings(
        machine,
        engage_distance_mm=settings.engage_distance_mm * ratio,
        disengage_distance_mm=settings.disengage_distance_mm * ratio,
    )


def lead_sign(machine: Machine) -> Machine:
    """The program adds the engage lead instead of taking it off."""
    return with_settings(machine, engage_lead_s=-machine.feeders[0].settings.engage_lead_s)


def loses_marks(
    machine: Machine, every: int, *, carriers: int, seed: int
) -> tuple[LoggedRun, Struck]:
    """Each so-manieth mark never gets into memory."""
    with planted() as (patch, struck):
        offer = MarkMemory.offer

        def lossy(self: MarkMemory, mark: Mark, t: float) -> None:
            if mark.carrier % every == every - 1:
                struck.carriers.append(mark.carrier)
                self._state.columns.missed_time_s[mark.carrier] = t
                self.miss(mark.carrier, _lost(), t=t)
            else:
                offer(self, mark, t)

        patch.setattr(MarkMemory, "offer", lossy)
        return run_of(machine, carriers=carriers, seed=seed), struck


def _lost() -> object:
    from feedsim.records.outcome import Outcome

    return Outcome.MARK_MEMORY_FULL


def acts_twice(
    machine: Machine, every: int, *, carriers: int, seed: int
) -> tuple[LoggedRun, Struck]:
    """Each so-manieth mark is acted on again as soon as the feeder is ready."""
    with planted() as (patch, struck):
        changed = MarkMemory.feeder_changed
        engage = MarkMemory._engage
        again: dict[int, Mark] = {}

        def remembers(self: MarkMemory, t: float, *, late: bool) -> None:
            mark = self._marks[0][0]
            engage(self, t, late=late)
            if mark.carrier % every == every - 1 and mark.carrier not in again:
                again[mark.carrier] = mark
                self._again = mark

        def repeats(self: MarkMemory) -> None:
            mark = getattr(self, "_again", None)
            clutch = self._clutch
            now = self.clock.now
            if mark is not None and clutch.ready_time_s <= now and not clutch.failed:
                self._again = None
                struck.carriers.append(mark.carrier)
                self._state.undecided += 1
                tick = self._conveyor.master.motion_tick(now + 1e-6)
                event = self.clock.at(tick, self._order)
                event.callbacks = [lambda _: clutch.engage(tick, carrier=mark.carrier, late=True)]
            changed(self)

        patch.setattr(MarkMemory, "_engage", remembers)
        patch.setattr(MarkMemory, "feeder_changed", repeats)
        run = run_of(machine, carriers=carriers, seed=seed)
        return run, struck


def swaps_marks(
    machine: Machine, every: int, *, carriers: int, seed: int
) -> tuple[LoggedRun, Struck]:
    """Each so-manieth mark that comes in while another waits goes before it; none is dropped."""
    with planted() as (patch, struck):
        offer = MarkMemory.offer

        def swapping(self: MarkMemory, mark: Mark, t: float) -> None:
            offer(self, mark, t)
            if mark.carrier % every == every - 1 and len(self._marks) == 2:
                self._marks[0], self._marks[1] = self._marks[1], self._marks[0]
                struck.carriers.append(mark.carrier)
                self.plan_again()

        patch.setattr(MarkMemory, "offer", swapping)
        patch.setattr(MarkMemory, "_past", lambda *_, **__: 0.0)
        patch.setattr(mark_memory, "units_beyond", lambda *_: 1e9)
        return run_of(machine, carriers=carriers, seed=seed), struck


def drifts(machine: Machine, mm_per_act: float, *, carriers: int, seed: int) -> LoggedRun:
    """Each mark's reading is off by a little more than that of the one before."""
    with planted() as (patch, _):
        offer = MarkMemory.offer

        def drifting(self: MarkMemory, mark: Mark, t: float) -> None:
            more = mark.carrier * mm_per_act / self._conveyor.master.unit_mm
            offer(self, mark._replace(reading=mark.reading + float(round(more))), t)

        patch.setattr(MarkMemory, "offer", drifting)
        return run_of(machine, carriers=carriers, seed=seed)


def late_after_doubles(
    machine: Machine, counts: int, *, carriers: int, seed: int
) -> tuple[LoggedRun, Struck]:
    """The closing after a double was laid comes so many counts late."""
    with planted() as (patch, struck):
        engage, distance = StagingClutch.engage, MarkMemory._distance
        last_double: dict[int, bool] = {}

        def notes(self: StagingClutch, t: float, *, carrier: int, late: bool) -> None:
            if last_double.get(id(self)):
                struck.carriers.append(carrier)
            last_double[id(self)] = not math.isnan(self._staged.insert.double_mm)
            engage(self, t, carrier=carrier, late=late)

        def further(self: MarkMemory) -> float:
            off = counts * self._conveyor.master.unit_mm if last_double.get(id(self._clutch)) else 0
            return distance(self) + off

        patch.setattr(StagingClutch, "engage", notes)
        patch.setattr(MarkMemory, "_distance", further)
        return run_of(machine, carriers=carriers, seed=seed), struck
