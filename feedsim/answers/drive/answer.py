"""The feed axis sized: what its motion asks of a motor, and which candidates can give it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from feedsim.answers.answer import Answer, Table
from feedsim.answers.drive.rows import cycle_csv, drive_csv
from feedsim.answers.drive.study.plain import drive_plain
from feedsim.answers.drive.study.sizing import Sizing, size, speeds_from
from feedsim.answers.drive.study.sizing import check as check_drive
from feedsim.answers.line import Line
from feedsim.answers.tables import columns_of
from feedsim.files.new_files import Content
from feedsim.quantities import System
from feedsim.running.axes import parse_speeds

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["DriveSizing", "drive", "sized", "speeds_of"]


@dataclass(frozen=True, slots=True, repr=False)
class DriveSizing(Answer):
    """What each feeder's motion asks of its motor.

    Attributes
    ----------
    line : Line
    sizings : tuple of Sizing
        Of each feeder that has a ``[feeder.drive]``.
    found : mapping
        As ``drive.json`` holds them.
    """

    line: Line
    sizings: tuple[Sizing, ...]
    found: Mapping[str, Any]
    name: ClassVar[str] = "drive"

    def plain(self) -> Mapping[str, Any]:
        """Return what ``drive.json`` holds."""
        return self.found

    def text(self, *, units: System = "metric") -> str:
        """Return the sizing in words and tables; see :meth:`Answer.text`."""
        from feedsim.answers.drive.text import drive_text

        return drive_text(self.found, units=units)

    def tables(self) -> dict[str, Table]:
        """Return ``drive``, a row per feeder, speed and candidate, and ``cycle``, over time."""
        return {
            "drive": columns_of(drive_csv(self.found)),
            "cycle": columns_of(cycle_csv(self.sizings, self.found)),
        }

    def figures(self, *, units: System = "metric") -> dict[str, Figure]:
        """Return torque over time, and torque against speed."""
        from feedsim.answers.drive.figure import drive_figures

        title = self.line.scenario.title
        return drive_figures(self.sizings, self.found, title=title, units=units)

    def files(self, *, units: System = "metric") -> dict[str, Content]:
        """Return data and pictures; see :meth:`Answer.files`."""
        return {
            "drive.json": self.json().encode(),
            "drive.csv": drive_csv(self.found),
            "cycle.csv": cycle_csv(self.sizings, self.found),
            **self.pictures(units=units),
        }


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
    sizings = tuple(size(line.scenario, speeds_mm_s))
    return DriveSizing(line, sizings, drive_plain(line.scenario, sizings))
