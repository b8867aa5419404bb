"""Everything that logs say about a machine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np

from feedsim.answers.learn.study.belt import steady_parts
from feedsim.answers.learn.study.feeder_rows import feeder_rows
from feedsim.answers.learn.study.figures import Learned, Travel
from feedsim.answers.learn.study.laws import ArrivalLaw
from feedsim.answers.learn.study.one_log import InLog, acts_of, in_log, scans_in
from feedsim.answers.learn.study.placed import Placements, placed_rows
from feedsim.answers.learn.study.program import ProgramRead, program_of
from feedsim.answers.learn.study.rows import (
    carrier_rows,
    controller_rows,
    line_rows,
    unseen_rows,
)
from feedsim.answers.learn.study.scans import scan_of_all
from feedsim.answers.trial.study.data import TrialData
from feedsim.logs import Log
from feedsim.logs.plausible import plausible
from feedsim.machine import Machine, SideName
from feedsim.metrics.plain import LEFT_OUT
from feedsim.running.run import machine_of
from feedsim.scenario import AS_WRITTEN, Scenario

LineKey = Literal["controller.motion_cycle", "carrier.pitch", "carrier.pitch_sd", "carrier.min_gap"]
FeederKey = Literal[
    "clutch.ramp_in",
    "clutch.ramp_out",
    "insert.gap",
    "insert.gap_sd",
    "servo.command_delay",
    "servo.loop_gain",
    "servo.velocity_feedforward",
]


class LearnedSide(NamedTuple):
    """What logs say of one side: its settings, and the travel from edge to act in each log."""

    distance: Learned
    lead: Learned
    travels: tuple[tuple[Travel, Learned], ...]


@dataclass(frozen=True, slots=True)
class LogRead:
    """One log that was read.

    ``seconds``: its length.
    ``carriers``: seen by the carrier eye.
    ``remarks``: what was mended in it or does not show.
    ``not_read``: columns or signals left out.
    """

    file: str
    shape: str
    seconds: float
    carriers: int
    remarks: tuple[str, ...]
    not_read: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ArrivalFound:
    """The arrival law found in the log with the most carriers, beside the scenario's.

    ``agrees``: None if the log does not show it.
    ``found``: of the log with the most carriers.
    ``scenario``: ``paced``, ``random`` or ``recorded``.
    """

    scenario: str
    found: ArrivalLaw
    agrees: bool | None


@dataclass(frozen=True, slots=True, repr=False)
class Learning:
    """What logs say about a machine, compared with a scenario.

    ``learned``: a row a quantity.
    ``arrival``: None without a carrier eye.
    ``placements``: measured beside the logs; None for none.
    ``program``: of each log in which the program departs from its settings.
    ``pitches_mm``: of the log with the most carriers, in order: a record for the scenario.
    """

    feedsim: str
    title: str
    logs: tuple[LogRead, ...]
    learned: tuple[Learned, ...]
    arrival: ArrivalFound | None
    placements: Placements | None
    program: tuple[ProgramRead, ...]
    scenario: Scenario = field(metadata=AS_WRITTEN)
    pitches_mm: tuple[float, ...] = field(metadata=LEFT_OUT)
    machine: Machine = field(metadata=LEFT_OUT)
    seen: tuple[InLog, ...] = field(metadata=LEFT_OUT)

    @property
    def differing(self) -> tuple[Learned, ...]:
        """The rows in which scenario and logs differ."""
        return tuple(row for row in self.learned if row.verdict == "differs")

    @property
    def travels(self) -> tuple[tuple[Travel, Learned], ...]:
        """The rows about a travel from edge to act."""
        return tuple((row.travel, row) for row in self.learned if row.travel is not None)

    def side(self, feeder: int, side: SideName) -> LearnedSide:
        """Return what the logs say of a side of a feeder."""
        path = f"feeder.{feeder}.settings.{side}"
        rows = {row.key: row for row in self.learned}
        travels = ((t, row) for t, row in self.travels if t.side == side and row.feeder == feeder)
        return LearnedSide(rows[f"{path}_distance"], rows[f"{path}_lead"], tuple(travels))

    def of_line(self, key: LineKey) -> float | None:
        """Return the learned value of a key; None if the logs do not show it."""
        return self._value(key)

    def of_feeder(self, feeder: int, key: FeederKey) -> float | None:
        """Return the learned value of a feeder's key; None if the logs do not show it."""
        return self._value(f"feeder.{feeder}.{key}")

    def _value(self, key: str) -> float | None:
        return next((row.value for row in self.learned if row.key == key), None)


def learned_from(scenario: Scenario, logs: Sequence[Log], *, version: str) -> Learning:
    """Learn everything that logs show; FeedsimError if one cannot be what its head says."""
    machine = machine_of(scenario)
    logs = [plausible(log, machine) for log in logs]
    count_mm = machine.encoder.count_mm
    acts = [acts_of(log) for log in logs]
    parts = [
        (part, log, its, count)
        for count, (log, its) in enumerate(zip(logs, acts, strict=True), 1)
        for part in steady_parts(log, count_mm=count_mm)
    ]
    scan = scan_of_all(
        [one for part, log, its, _ in parts for one in scans_in(part, machine, whole=log, acts=its)]
    )
    seen = []
    for part, log, its, count in parts:
        name = f"log {count}" if len(logs) > 1 else "log"
        name += "" if part is log else f" from {log.clock.text(part.begins_s[0])}"
        seen.append(in_log(part, machine, whole=log, acts=its, number=count, name=name, scan=scan))
    rows = [
        *_of("line", line_rows(seen, machine)),
        *_of("line", controller_rows(seen, machine)),
        *_of("carriers", carrier_rows(seen, machine)),
        *_of("line", unseen_rows(machine)),
    ]
    for number in range(len(machine.feeders)):
        rows += _of(f"feeder.{number}", feeder_rows(seen, machine, number))
    best = max(seen, key=lambda log: len(log.carriers.mm) if log.carriers is not None else -1)
    arrival = None
    if best.law is not None:
        law, has = best.law.law, machine.carriers.arrival.name
        agrees = None if law is None or has == "recorded" else law == has
        if law == "none" and has == "random" and machine.seen_share < 1.0:
            agrees = None  # a gap over a missing carrier is two in one, no longer exponential
        arrival = ArrivalFound(has, best.law, agrees)
    files = _names([log.file for log in logs])
    scale = machine.encoder.scale
    pitches = () if best.carriers is None else tuple((best.carriers.mm * scale).tolist())
    return Learning(
        feedsim=version,
        title=scenario.title,
        logs=tuple(map(_read, logs, files)),
        learned=tuple(rows),
        arrival=arrival,
        placements=None,
        program=program_of(logs, files, machine, rows),
        scenario=scenario,
        pitches_mm=pitches,
        machine=machine,
        seen=tuple(seen),
    )


def with_placements(found: Learning, machine: Machine, data: TrialData, *, name: str) -> Learning:
    """Add what the placements measured in a file of this name show.

    ``machine``: with what was learned from the logs.
    """
    added = {row.key: row for row in placed_rows(machine, data, name=name)}
    rows = tuple(
        replace(added[row.key], part=row.part, placed=True) if row.key in added else row
        for row in found.learned
    )
    placements = Placements(
        file=name,
        placed=int(np.count_nonzero(~np.isnan(data.error_mm))),
        staged=int(np.count_nonzero(~np.isnan(data.stage_mm))),
        speeds=len(np.unique(data.speed_mm_s)),
        added=tuple(row.what for row in added.values()),
    )
    return replace(found, learned=rows, placements=placements)


def _of(part: str, rows: Iterable[Learned]) -> list[Learned]:
    return [replace(row, part=part) for row in rows]


def _names(files: Sequence[str]) -> list[str]:
    """Return a name for each log: its file's, with the folder if two have the same name."""
    names = [Path(file).name for file in files]
    return [
        name if names.count(name) == 1 else "/".join(Path(file).parts[-2:])
        for name, file in zip(names, files, strict=True)
    ]


def _read(log: Log, name: str) -> LogRead:
    seconds = sum(end - begin for begin, end in zip(log.begins_s, log.ends_s, strict=True))
    return LogRead(
        file=name,
        shape=log.shape,
        seconds=seconds,
        carriers=0 if log.carrier_eye is None else len(log.carrier_eye.on_s),
        remarks=tuple(remark.text for remark in log.remarks),
        not_read=log.others,
    )
