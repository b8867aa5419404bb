"""Measurements of a trial on the line: a CSV file, with a clear message for each mistake.

A row is one carrier: the line speed, and where its insert lay (``placement_error_mm``), where
it had been staged (``stage_position_mm``), or that it got none (``missed``). Or it is a tally of
``carriers`` counted at that speed, ``missed`` of them without an insert.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from feedsim.answers.trial.study.columns import Measurand, columns_of
from feedsim.arrays import Floats, Ints
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.quantities import first_of
from feedsim.scenario.table_file import cell_at, is_blank_row, read_table

UNKNOWN = -1
"""Whether a carrier was missed: not said."""

_MOST_FAULTS = 20
_LARGEST = 300_000_000  # bytes
_SLOWEST_MM_S, _FASTEST_MM_S = 0.01, 1e6
_FARTHEST_STAGE_MM = 10_000.0
_MOST_CARRIERS = 1_000_000_000
_KEPT = 100_000
_WORDS = {"0": 0, "1": 1, "yes": 1, "true": 1, "x": 1, "no": 0, "false": 0}
_COLUMNS = ("row", "feeder", "speed_mm_s", "error_mm", "stage_mm", "carriers", "missed")
_SHOWN = 5
_STEPS = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.025, 0.02, 0.01, 0.005, 0.002, 0.001)


@dataclass(frozen=True, slots=True)
class TrialData:
    """The rows of a trial that are not blank, in columns of shape (n,).

    ``row``: of the file, from 1, the head included: as a spreadsheet numbers them. Of placement and
    stage, NaN if not measured, the step is that in which values were read off; 0 if none shows.
    """

    row: Ints
    feeder: Ints  # from 0
    speed_mm_s: Floats
    error_mm: Floats
    stage_mm: Floats
    carriers: Ints  # more than 1 is a tally
    missed: Ints  # how many of them got no insert; −1: not said
    blank: int  # rows with nothing filled in
    others: tuple[str, ...]  # columns that were not read
    error_step_mm: float
    stage_step_mm: float
    left_out: tuple[int, ...] = ()  # rows of the file left out on request

    def without(self, rows: Collection[int]) -> TrialData:
        """Return the trial without some rows of its file, numbered as in ``row``.

        Raises FeedsimError if one of them is not in ``row``, or none would be left.
        """
        wanted = sorted(set(rows))
        strange = sorted(set(wanted) - set(self.row.tolist()))
        if strange:
            message = (
                f"nothing was read from row {first_of(strange, _SHOWN)}; rows with something "
                f"measured are {self.row.min()} to {self.row.max()}, the head counts as a row"
            )
            raise FeedsimError(Fault(argument("without"), message=message))
        kept = ~np.isin(self.row, wanted)
        if not kept.any():
            raise FeedsimError(Fault(argument("without"), message="leaves no row of the trial"))
        columns = {name: getattr(self, name)[kept] for name in _COLUMNS}
        return replace(self, **columns, left_out=tuple(wanted))


def read_trial(path: str | Path, *, feeders: Sequence[str], longest_mm: float) -> TrialData:
    """Read the file of a trial: CSV as :mod:`feedsim.scenario.table_file` has it, at most 300 MB.

    The column ``feeder`` has one of the names of ``feeders`` or a number, from 0; with a single
    feeder it may be left out. ``longest_mm``: length of a carrier, which bounds placement errors.
    Raises FeedsimError if the file cannot be read, or with its faults, row by row.
    """
    return _Reader(path, feeders, longest_mm).data(Path(path).name)


def is_blank(path: str | Path, *, feeders: Sequence[str]) -> bool:
    """Return whether a file is a plan with nothing filled in yet."""
    try:
        reader = _Reader(path, feeders, math.inf)
    except FeedsimError:
        return False
    return not reader.rows and not reader.faults


class _Reader:
    """Turns cells into numbers and collects faults."""

    def __init__(self, path: str | Path, feeders: Sequence[str], longest_mm: float) -> None:
        table = read_table(path, largest=_LARGEST, what="trial")
        columns, self.others = columns_of(table.head, table.head_row)
        self.columns = {column.quantity: column for column in columns}
        self.names, self.feeders = feeders, [name.strip().casefold() for name in feeders]
        self.longest_mm, self.width, self.comma = longest_mm, len(table.head), table.commas
        self.rows = array("d")  # one behind the other, in the order of _COLUMNS
        self.blank = 0
        self.faults: list[Fault] = []
        # a million rows are mostly the same few thousand texts
        self.values: dict[Measurand, dict[str, float]] = {quantity: {} for quantity in self.columns}
        for row, cells in table.rows():
            if not is_blank_row(cells):
                self._read(row, cells)
            if len(self.faults) > _MOST_FAULTS:
                break

    def _read(self, row: int, cells: list[str]) -> None:
        before = len(self.faults)
        if not is_blank_row(cells[self.width :]):
            message = (
                f"has {len(cells)} cells where the head has {self.width}; is there a decimal comma "
                "or a separator too many?"
            )
            self._wrong(row, message)
            return
        error, stage = self._number(row, cells, "error"), self._number(row, cells, "stage")
        missed = self._missed(row, cells)
        if missed == UNKNOWN and math.isnan(error) and math.isnan(stage):
            self.blank += len(self.faults) == before
            return
        speed, feeder = self._speed(row, cells), self._feeder(row, cells)
        carriers = self._carriers(row, cells)
        self._agree(row, error, stage=stage, carriers=carriers, missed=missed)
        if len(self.faults) == before:
            self.rows.extend((row, feeder, speed, error, stage, carriers, missed))

    def _cell(self, cells: list[str], quantity: Measurand) -> str:
        column = self.columns.get(quantity)
        return "" if column is None else cell_at(cells, column.place)

    def _fault(self, row: int, quantity: Measurand, *, found: str, allowed: str) -> None:
        shown = "".join(c if c.isprintable() else "?" for c in found[:40])
        key = f"row {row}, {self.columns[quantity].name}"
        self.faults.append(Fault(key, f'"{shown}"', allowed))

    def _wrong(self, row: int, message: str, quantity: Measurand | None = None) -> None:
        column = "" if quantity is None else f", {self.columns[quantity].name}"
        self.faults.append(Fault(f"row {row}{column}", message=message))

    def _number(self, row: int, cells: list[str], quantity: Measurand) -> float:
        """Read a length or a speed, in mm or mm/s; NaN for an empty or faulty cell."""
        text = self._cell(cells, quantity)
        if not text:
            return math.nan
        known = self.values[quantity]
        value = known.get(text)
        if value is None:
            value, wrong = self.columns[quantity].value(text, commas=self.comma)
            if wrong:
                self._fault(row, quantity, found=text, allowed=wrong)
                return math.nan
            if len(known) < _KEPT:
                known[text] = value
        return value

    def _speed(self, row: int, cells: list[str]) -> float:
        before = len(self.faults)
        value = self._number(row, cells, "speed")
        if len(self.faults) == before and not _SLOWEST_MM_S <= value <= _FASTEST_MM_S:
            allowed = f"a line speed, {self.columns['speed'].between(_SLOWEST_MM_S, _FASTEST_MM_S)}"
            self._fault(row, "speed", found=self._cell(cells, "speed"), allowed=allowed)
        return value

    def _feeder(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "feeder").casefold()
        if not text and len(self.feeders) == 1:
            return 0
        for name in (text, text.removeprefix("'")):  # which keeps a spreadsheet from running it
            if name in self.feeders:
                return self.feeders.index(name)
        if text.isdecimal() and len(text) < 4 and int(text) < len(self.feeders):
            return int(text)
        if "feeder" in self.columns:
            names = " or ".join(f'"{name}"' for name in self.names[:8])
            allowed = f"the name of a feeder, {names}, or its number from 0"
            self._fault(row, "feeder", found=text, allowed=allowed)
        else:
            self._wrong(row, f"which of the {len(self.feeders)} feeders? Add a column feeder")
        return 0

    def _carriers(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "carriers")
        if not text:
            return 1
        if not re.fullmatch(r"\d{1,10}", text, re.ASCII) or not 1 <= int(text) <= _MOST_CARRIERS:
            allowed = "how many carriers the row stands for, 1 or more"
            self._fault(row, "carriers", found=text, allowed=allowed)
            return 1
        return int(text)

    def _missed(self, row: int, cells: list[str]) -> int:
        text = self._cell(cells, "missed").casefold()
        if not text:
            return UNKNOWN
        if text in _WORDS or re.fullmatch(r"\d{1,10}", text, re.ASCII):
            return _WORDS[text] if text in _WORDS else int(text)
        allowed = "how many got no insert: 0 or 1, or yes or no"
        self._fault(row, "missed", found=text, allowed=allowed)
        return UNKNOWN

    def _agree(self, row: int, error: float, *, stage: float, carriers: int, missed: int) -> None:
        """Check that the cells of a row are consistent."""
        wrong = partial(self._wrong, row)
        if carriers > 1 and not (math.isnan(error) and math.isnan(stage)):
            wrong("what is measured belongs to one carrier: leave carriers empty in this row")
        if missed > carriers:
            wrong(f"{missed} missed, of {carriers} in all")
        if carriers == 1 and missed == 1 and not math.isnan(error):
            wrong("a carrier that was missed has no placement error")
        if abs(stage) > _FARTHEST_STAGE_MM:
            wrong(
                f"found {stage:.4g} mm; needs how far the resting nose is from the insert eye, "
                f"{self.columns['stage'].between(-_FARTHEST_STAGE_MM, _FARTHEST_STAGE_MM)}",
                "stage",
            )
        if abs(error) > self.longest_mm:
            wrong(
                f"found {error:.4g} mm, more than a carrier is long ({self.longest_mm:.4g} mm): "
                f"is it another unit, or one that was missed?",
                "error",
            )

    def data(self, name: str) -> TrialData:
        """Return what was read, or raise its faults."""
        if self.faults:
            shown = self.faults[:_MOST_FAULTS]
            if len(self.faults) > _MOST_FAULTS:
                shown.append(Fault("", message="and more in the rows after that"))
            raise FeedsimError(*shown)
        if not self.rows:
            what = f": all {self.blank} rows are blank" if self.blank else ""
            raise FeedsimError(Fault(name, message=f"there is nothing measured in it{what}"))
        row, feeder, speed, error, stage, carriers, missed = np.array(self.rows).reshape(-1, 7).T
        return TrialData(
            row=row.astype(np.int64),
            feeder=feeder.astype(np.int64),
            speed_mm_s=speed.copy(),
            error_mm=error.copy(),
            stage_mm=stage.copy(),
            carriers=carriers.astype(np.int64),
            missed=missed.astype(np.int64),
            blank=self.blank,
            others=tuple(self.others),
            error_step_mm=self._step("error", error),
            stage_step_mm=self._step("stage", stage),
        )

    def _step(self, quantity: Measurand, values: Floats) -> float:
        """Return the largest usual step (mm) of which all values are multiples; 0: none."""
        column = self.columns.get(quantity)
        unit_mm = column.times / column.over if column else 1.0
        shown = values[~np.isnan(values)] / unit_mm
        if len(shown) < 10:
            return 0.0
        for step in _STEPS:
            parts = shown / step
            if np.all(np.abs(parts - np.round(parts)) < 1e-6):
                return step * unit_mm
        return 0.0
