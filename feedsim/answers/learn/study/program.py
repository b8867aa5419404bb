"""The program beside its settings, log by log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from feedsim.answers.learn.study.act_rows import ComparedActs, ProgramFault, Verdict
from feedsim.answers.learn.study.act_together import told_together
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.answers.learn.study.figures import Learned
from feedsim.logs.log import Log
from feedsim.machine import Machine

_BY_TICKS = {"late_by_ticks", "offset", "sporadic"}
_LONGEST_CYCLE_S = 0.05


@dataclass(frozen=True, slots=True)
class ProgramRead:
    """What one log says of the program.

    Attributes
    ----------
    marks, judged : int
        Edges of the carrier eye, and acts, that could be judged.
    faults : tuple of ProgramFault
        What it does otherwise than its settings say.
    not_judged : tuple of str
        Why acts, or all of it, could not be judged.
    """

    file: str
    marks: int
    judged: int
    faults: tuple[ProgramFault, ...]
    not_judged: tuple[str, ...]


def program_of(
    logs: Sequence[Log], files: Sequence[str], machine: Machine, rows: Sequence[Learned]
) -> tuple[ProgramRead, ...]:
    """Hold the acts of each log against the settings.

    Parameters
    ----------
    rows : sequence of Learned
        What was learned: where it has the ticks otherwise than the scenario, its ticks count.
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
    """Say with which longer motion cycle late acts would be in time, where the logs hide ticks.

    The shortest that explains the latest act is tried. One fits if under it no act is off, and the
    acts lie about the middle of their windows, as ticks at any phase have them.
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
    """Return by how much the latest act came later than asked, at least (s)."""
    late = [
        float(rows.late_low_s[rows.verdict == Verdict.LATE].max(initial=0.0))
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
