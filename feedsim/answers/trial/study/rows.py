"""The rows of a trial in columns."""

from __future__ import annotations

from array import array
from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from feedsim.errors import Fault, FeedsimError

__all__ = ["UNKNOWN", "Rows", "TrialData"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWN = -1
"""Whether a carrier was missed, where nothing is said of it."""

_COLUMNS = ("row", "feeder", "speed_mm_s", "error_mm", "stage_mm", "carriers", "missed")
_SHOWN = 5
_STEPS = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.025, 0.02, 0.01, 0.005, 0.002, 0.001)


@dataclass(frozen=True, slots=True)
class TrialData:
    """The rows of a trial that say something, in columns of shape (n,).

    Attributes
    ----------
    row : int64
        Row of the file, the head included, from 1: as a spreadsheet numbers them.
    feeder : int64
        Number of the feeder, from 0.
    speed_mm_s : float64
    error_mm, stage_mm : float64
        NaN where nothing was measured.
    carriers : int64
        For how many carriers the row stands; more than 1 is a tally.
    missed : int64
        How many of them got no insert; −1: not said.
    blank : int
        Rows with nothing in them but what was planned.
    others : tuple of str
        Columns that were not read.
    error_step_mm, stage_step_mm : float
        Step in which was read off; 0 where there is none to be seen.
    left_out : tuple of int
        Rows of the file that were asked to be left out; they are in no column.
    """

    row: Ints
    feeder: Ints
    speed_mm_s: Floats
    error_mm: Floats
    stage_mm: Floats
    carriers: Ints
    missed: Ints
    blank: int
    others: tuple[str, ...]
    error_step_mm: float
    stage_step_mm: float
    left_out: tuple[int, ...] = ()

    def without(self, rows: Collection[int]) -> TrialData:
        """Return the trial without some rows of its file.

        Parameters
        ----------
        rows : collection of int
            From 1, as in ``row``.

        Raises
        ------
        FeedsimError
            If one of them is not among those that say something, or none would be left.
        """
        wanted = sorted(set(rows))
        have = set(self.row.tolist())
        strange = [row for row in wanted if row not in have]
        if strange:
            shown = ", ".join(str(row) for row in strange[:_SHOWN])
            more = f" and {len(strange) - _SHOWN} more" if len(strange) > _SHOWN else ""
            message = (
                f"nothing was read from row {shown}{more}; rows with something measured are "
                f"{self.row.min()} to {self.row.max()}, the head counts as a row"
            )
            raise FeedsimError(Fault("--without", message=message))
        kept = ~np.isin(self.row, wanted)
        if not kept.any():
            raise FeedsimError(Fault("--without", message="leaves no row of the trial"))
        columns = {name: getattr(self, name)[kept] for name in _COLUMNS}
        return replace(self, **columns, left_out=tuple(wanted))


@dataclass(slots=True)
class Rows:
    """Rows while they are read."""

    row: array[int] = field(default_factory=lambda: array("q"))
    feeder: array[int] = field(default_factory=lambda: array("q"))
    speed: array[float] = field(default_factory=lambda: array("d"))
    error: array[float] = field(default_factory=lambda: array("d"))
    stage: array[float] = field(default_factory=lambda: array("d"))
    carriers: array[int] = field(default_factory=lambda: array("q"))
    missed: array[int] = field(default_factory=lambda: array("q"))
    blank: int = 0
    faults: list[Fault] = field(default_factory=list)

    def data(
        self, others: tuple[str, ...], *, error_unit_mm: float, stage_unit_mm: float
    ) -> TrialData:
        """Return the columns; the units are those in which was typed, for the steps."""
        error, stage = np.array(self.error), np.array(self.stage)
        return TrialData(
            row=np.array(self.row, dtype=np.int64),
            feeder=np.array(self.feeder, dtype=np.int64),
            speed_mm_s=np.array(self.speed),
            error_mm=error,
            stage_mm=stage,
            carriers=np.array(self.carriers, dtype=np.int64),
            missed=np.array(self.missed, dtype=np.int64),
            blank=self.blank,
            others=others,
            error_step_mm=_step(error, error_unit_mm),
            stage_step_mm=_step(stage, stage_unit_mm),
        )


def _step(values: Floats, unit_mm: float) -> float:
    """Return the largest usual step (mm) of which all values are multiples; 0: none is seen."""
    shown = values[~np.isnan(values)] / unit_mm
    if len(shown) < 10:
        return 0.0
    for step in _STEPS:
        parts = shown / step
        if np.all(np.abs(parts - np.round(parts)) < 1e-6):
            return step * unit_mm
    return 0.0
