"""The program against its settings, log by log."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from feedsim.answers.learn.study.act_faults import came_after
from feedsim.answers.learn.study.act_names import distance_mm
from feedsim.answers.learn.study.act_rows import (
    ActShift,
    ActVerdict,
    ComparedActs,
    Pattern,
    ProgramFault,
)
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.answers.learn.study.figures import Learned
from feedsim.logs.log import Log
from feedsim.machine import Machine

_BY_TICKS = {"late_by_ticks", "offset", "sporadic"}
_LONGEST_CYCLE_S = 0.05
_STEADY = {"late_by_ticks", "count_scale", "lead_sign", "offset"}
_ONE_SPEED = 0.01


@dataclass(frozen=True, slots=True)
class ProgramRead:
    """What one log says about the program.

    ``marks``, ``judged``: edges of the carrier eye, and acts, that could be judged. ``faults``: its
    departures from the settings. ``not_judged``: why acts, or the whole log, could not be judged.
    """

    file: str
    marks: int
    judged: int
    faults: tuple[ProgramFault, ...]
    not_judged: tuple[str, ...]


def program_of(
    logs: Sequence[Log], files: Sequence[str], machine: Machine, rows: Sequence[Learned]
) -> tuple[ProgramRead, ...]:
    """Compare the acts of each log with the settings.

    ``rows``: what was learned; its ticks are used if they differ from the scenario's.
    """
    controller = machine.controller
    for row in rows:
        if row.figure is None or row.scenario is None or not row.figure.surely_not(row.scenario):
            continue
        if row.key == "controller.scan":
            controller = replace(controller, scan_s=row.figure.high)
        elif row.key == "controller.motion_cycle":
            controller = replace(controller, motion_cycle_s=row.figure.value)
    machine = replace(machine, controller=controller)
    found = [compared_acts(log, machine) for log in logs]
    faults = told_together(found, machine)
    if any(row.key == "controller.motion_cycle" and row.value is None for row in rows):
        faults = _with_longer_cycle(faults, found, logs, machine)
    return tuple(_read(*read) for read in zip(found, faults, files, strict=True))


def _with_longer_cycle(
    faults: Sequence[tuple[ProgramFault, ...]],
    found: Sequence[ComparedActs],
    logs: Sequence[Log],
    machine: Machine,
) -> list[tuple[ProgramFault, ...]]:
    """Name a longer motion cycle with which late acts would be in time, if the logs hide ticks.

    The shortest that explains the latest act is tried. It fits if no act is then off, and acts lie
    around the middle of their windows, as ticks at any phase have them.
    """
    late_s = max(map(_latest_s, found), default=0.0)
    cycle_s = machine.controller.motion_cycle_s + late_s
    if late_s <= 0.0 or cycle_s > _LONGEST_CYCLE_S:
        return list(faults)
    longer = replace(machine, controller=replace(machine.controller, motion_cycle_s=cycle_s))
    left = {
        (fault.feeder, acts)
        for log in logs
        for fault in compared_acts(log, longer).faults
        if fault.pattern in _BY_TICKS | {"count_scale", "drift"}
        for acts in ({fault.acts} if fault.acts != "all" else {"closings", "openings"})
    }

    def told(fault: ProgramFault) -> ProgramFault:
        sides = {fault.acts} if fault.acts != "all" else {"closings", "openings"}
        by_ticks = fault.pattern in _BY_TICKS and fault.late_s > 0.0
        if not by_ticks or any((fault.feeder, acts) in left for acts in sides):
            return fault
        return replace(fault, fits_cycle_s=cycle_s)

    return [tuple(map(told, each)) for each in faults]


def _latest_s(found: ComparedActs) -> float:
    """Return the least lateness of the latest act (s)."""
    late = [
        float(rows.late_low_s[rows.verdict == ActVerdict.LATE].max(initial=0.0))
        for feeder in found.feeders
        for rows in (feeder.closings, feeder.openings)
    ]
    return max(late, default=0.0)


def _read(found: ComparedActs, faults: tuple[ProgramFault, ...], file: str) -> ProgramRead:
    judged = sum(
        int(rows.judged.sum())
        for feeder in found.feeders
        for rows in (feeder.closings, feeder.openings)
    )
    marks = sum(feeder.marks for feeder in found.feeders)
    return ProgramRead(file, marks, judged, faults, found.not_judged)


def told_together(
    found: Sequence[ComparedActs], machine: Machine
) -> list[tuple[ProgramFault, ...]]:
    """Return the faults of each log, named by what fits all logs.

    A pattern that explains the shift of one log must explain every other log too: whole ticks and
    leads shift acts by a time, distances and a count scale by a travel. What odd acts came after is
    found from all logs together.
    """
    faults = [[_fitting(fault, found, machine) for fault in one.faults] for one in found]
    odd: dict[tuple[int, str], list[tuple[int, int]]] = {}
    for log, told in enumerate(faults):
        for place, fault in enumerate(told):
            if fault.pattern == "sporadic":
                odd.setdefault((fault.feeder, fault.acts), []).append((log, place))
    for places in odd.values():
        named = came_after([faults[log][place] for log, place in places])
        for (log, place), fault in zip(places, named, strict=True):
            faults[log][place] = fault
    return [tuple(told) for told in faults]


def _fitting(fault: ProgramFault, found: Sequence[ComparedActs], machine: Machine) -> ProgramFault:
    """Return a steady fault, named by the first of its patterns that fits all logs."""
    if fault.pattern not in _STEADY:
        return fault
    shifts = [s for one in found if one.shifts for s in one.shifts[fault.feeder]]
    sides = {fault.acts} if fault.acts != "all" else {"closings", "openings"}
    own = [shift for shift in shifts if shift.side in sides]
    if len(own) < 2 * len(sides):
        return fault
    if any(_apart(one, other) for one in own for other in own):
        return replace(fault, here_alone=True)
    fits: dict[Pattern, ProgramFault] = {}
    for name in ("lead_sign", "late_by_ticks", "count_scale", "offset"):
        if name in {fault.pattern, *fault.or_else} and (
            named := _named(name, fault, own, shifts, machine)
        ):
            fits[name] = named
    first = fault.pattern if fault.pattern in fits else next(iter(fits))
    more = fits[first].or_else
    return replace(fits[first], or_else=(*more, *(name for name in fits if name != first)))


def _apart(one: ActShift, other: ActShift) -> bool:
    """Tell whether two logs at one speed contradict each other."""
    alike = abs(one.speed_mm_s - other.speed_mm_s) < _ONE_SPEED * one.speed_mm_s
    return one.side == other.side and alike and one.high_s < other.low_s


def _named(
    name: Pattern,
    fault: ProgramFault,
    own: list[ActShift],
    shifts: list[ActShift],
    machine: Machine,
) -> ProgramFault | None:
    """Return a fault under a pattern; None if that does not fit all logs."""
    plain = replace(fault, pattern=name, ticks=0, ratio=math.nan, or_else=())
    low, high = max(s.low_s for s in own), min(s.high_s for s in own)
    if name == "offset":
        return plain
    if name == "lead_sign":
        settings = machine.feeders[fault.feeder].settings
        leads = {"closings": settings.engage_lead_s, "openings": settings.disengage_lead_s}
        fits = all(s.low_s <= 2.0 * leads[s.side] <= s.high_s for s in own)
        return plain if fits else None
    if name == "late_by_ticks":
        tick = machine.controller.motion_cycle_s or machine.controller.scan_s
        numbers = [n for n in range(math.ceil(low / tick), math.floor(high / tick) + 1) if n]
        if not numbers:
            return None
        ticks = min(numbers, key=lambda n: abs(n * tick - fault.late_s))
        return replace(plain, ticks=ticks, or_else=(name,) if len(numbers) > 1 else ())
    ends = [
        (s.low_s * s.speed_mm_s / mm, s.high_s * s.speed_mm_s / mm)
        for s in shifts
        if (mm := distance_mm(s.side, machine, fault.feeder)) > 0.0
    ]
    least, most = max(end for end, _ in ends), min(end for _, end in ends)
    return replace(plain, ratio=1.0 + 0.5 * (least + most)) if least <= most else None
