"""The feed axis sized: what its motion asks of a motor, and which candidates can give it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

from feedsim import __version__
from feedsim.answers.answer import Answer
from feedsim.answers.drive.rows import cycle_csv, drive_csv
from feedsim.answers.drive.study.results import Sizing
from feedsim.answers.drive.study.sizing import check as check_drive
from feedsim.answers.drive.study.sizing import size, speeds_from
from feedsim.answers.line import Line
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System
from feedsim.running.axes import parse_speeds

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, repr=False)
class DriveSizing(Sizing, Answer):
    """What each feeder's motion asks of its motor.

    Its table ``drive`` has a row per feeder, speed and candidate, ``cycle`` one per instant.
    """

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "drive"

    def _text(self, units: System) -> str:
        from feedsim.answers.drive.text import drive_text

        return drive_text(self, units=units)

    def _csv(self) -> dict[str, bytes]:
        return {"drive": drive_csv(self.feeders), "cycle": cycle_csv(self.feeders)}

    def _figures(self, units: System) -> dict[str, Figure]:
        from feedsim.answers.drive.figure import drive_figures

        return drive_figures(self, units=units)


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
    """Return the line speeds (mm/s) to look at; refuse a line that has no drive, or wrong ones."""
    wanted = parse_speeds(speeds).numbers if speeds is not None else speeds_from(line.scenario)
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
