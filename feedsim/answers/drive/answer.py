"""Drive sizing: what the motion demands of a motor, and which candidates meet it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, ClassVar

from feedsim import __version__
from feedsim.answers.answer import Answer
from feedsim.answers.drive.study.results import FeederSizing, Sizing
from feedsim.answers.drive.study.sizing import check as check_drive
from feedsim.answers.drive.study.sizing import size, speeds_from
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.drivetrain.course import course, typical_cycle
from feedsim.metrics.plain import LEFT_OUT, Plain, plain
from feedsim.quantities import System
from feedsim.render.csv_table import csv_table, harmless
from feedsim.running.axes import parse_speeds

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_OVER_TIME = ("time_s", "feed_speed_mm_s", "speed_rpm", "torque_n_m")


@dataclass(frozen=True, slots=True, repr=False)
class DriveSizing(Sizing, Answer):
    """What each feeder's motion demands of its motor.

    Its table ``drive`` has a row per feeder, speed and candidate, ``cycle`` one per instant.
    """

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "drive"

    def _text(self, units: System) -> str:
        from feedsim.answers.drive.text import drive_text

        return drive_text(self, units=units)

    def _csv(self) -> dict[str, bytes]:
        return {"drive": csv_table(list(_rows(self.feeders))), "cycle": _cycle_csv(self.feeders)}

    def _figures(self, units: System) -> dict[str, Figure]:
        from feedsim.answers.drive.figure import drive_figures

        return drive_figures(self, units=units)


@typed
def drive(line: Line, speeds: str | None = None) -> DriveSizing:
    """Size the feed axis.

    Parameters
    ----------
    line : Line
        With a ``[feeder.drive]``.
    speeds : str, optional
        As in :func:`feedsim.sweep`; those of ``[sweep]`` if left out.

    Raises
    ------
    FeedsimError
        If no feeder has a drive, or a range is wrong.
    """
    return sized(line, speeds_of(line, speeds))


def speeds_of(line: Line, speeds: str | None) -> Sequence[float]:
    """Return the line speeds (mm/s) to size at; refuse a line without a drive, or wrong speeds."""
    given = None if speeds is None else parse_speeds(speeds, line.units).numbers
    wanted = speeds_from(line.scenario) if given is None else given
    check_drive(line.scenario)
    return wanted


def sized(line: Line, speeds_mm_s: Sequence[float]) -> DriveSizing:
    """Size the feed axis at these line speeds (mm/s); see :func:`drive`."""
    scenario = line.scenario
    return DriveSizing(
        line=line,
        feedsim=__version__,
        title=scenario.title,
        seed=scenario.seed,
        line_speed_mm_s=scenario.line.speed,
        feeders=size(scenario, speeds_mm_s),
        scenario=scenario,
    )


def _rows(feeders: Sequence[FeederSizing]) -> Iterator[dict[str, Plain]]:
    for feeder in feeders:
        for point in feeder.speeds:
            head = {"feeder": feeder.name, **_figures(point)}
            if not point.candidates:
                load = _figures(point.moving.load_alone) if point.moving else {}
                yield {**head, "candidate": "", **load}
            for motor, one in zip(feeder.candidates, point.candidates, strict=False):
                margins = {
                    f"{f.name}_margin": getattr(one.criteria, f.name).margin
                    for f in fields(one.criteria)
                }
                highest = {"highest_line_speed_mm_s": plain(motor.highest_line_speed_mm_s)}
                figures = {"candidate": one.name, **_figures(one)}
                del figures["name"]
                yield {**head, **figures, **margins, **highest}


def _figures(of: object) -> dict[str, Plain]:
    """Return the plain fields of a dataclass by name, without its nested parts."""
    found = plain(of)
    parts = found.items() if isinstance(found, dict) else ()
    return {name: value for name, value in parts if not isinstance(value, dict | list)}


def _cycle_csv(feeders: Sequence[FeederSizing]) -> bytes:
    """Return speed and torque over one feed cycle, of each feeder, line speed and candidate.

    Time counts from where the clutch begins to close; without a candidate the torque is that of
    the mechanism alone.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("feeder", "line_speed_mm_s", "candidate", *_OVER_TIME))
    for feeder in feeders:
        rotors = [(one.name, one.motor.rotor_inertia_kg_m2) for one in feeder.candidates]
        for point in feeder.speeds:
            if point.moving is None:
                continue
            cycle = typical_cycle(point.moving.stretches, rotor_kg_m2=0.0)
            for name, rotor in rotors or [("", 0.0)]:
                drawn = course(cycle, rotor_kg_m2=rotor)
                head = (harmless(feeder.name), point.line_speed_mm_s, harmless(name))
                columns = (getattr(drawn, column).tolist() for column in _OVER_TIME)
                writer.writerows((*head, *row) for row in zip(*columns, strict=True))
    return text.getvalue().encode()
