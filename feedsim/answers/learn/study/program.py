"""The program beside its settings, log by log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from feedsim.answers.learn.study.act_rows import ComparedActs, ProgramFault
from feedsim.answers.learn.study.act_together import told_together
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.answers.learn.study.figures import Learned
from feedsim.logs.log import Log
from feedsim.machine import Machine

__all__ = ["ProgramRead", "program_of"]


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
        if row.value is None or row.verdict != "differs":
            continue
        if row.key == "controller.scan":
            controller = replace(controller, scan_s=row.high or row.value)
        elif row.key == "controller.motion_cycle":
            controller = replace(controller, motion_cycle_s=row.value)
    machine = replace(machine, controller=controller)
    found = [compared_acts(log, machine) for log in logs]
    faults = told_together(found, machine)
    return tuple(_read(*read) for read in zip(found, faults, files, strict=True))


def _read(found: ComparedActs, faults: tuple[ProgramFault, ...], file: str) -> ProgramRead:
    judged = sum(
        int(rows.judged.sum())
        for feeder in found.feeders
        for rows in (feeder.closings, feeder.openings)
    )
    marks = sum(feeder.marks for feeder in found.feeders)
    return ProgramRead(file, marks, judged, faults, found.not_judged)
