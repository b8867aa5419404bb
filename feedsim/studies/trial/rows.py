"""The rows of a trial in columns."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from feedsim.errors import Fault

__all__ = ["UNKNOWN", "Rows", "TrialData"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWN = -1
"""Whether a carrier was missed, where nothing is said of it."""

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
