"""What the overview shows of one feeder: numbers in units of display, no drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.run.overview.happened import MarkRow, mark_rows, regimes
from feedsim.arrays import Bools, Floats, Places
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.cycle_hazards import CycleHazard, any_of, cycle_hazards
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.rows import combined
from feedsim.metrics.spread import resolution_mm
from feedsim.quantities import System, display, display_unit
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stored import AT_ONCE
from feedsim.render.wording import length

_MOST_BINS = 80
_ENOUGH = 1_000_000
MOST_DOTS = 20_000
"""More dots than this are thinned out."""

MOST_VECTOR_DOTS = 2_000
"""More dots than this become an image within an SVG."""


class Margin(NamedTuple):
    """One hazard: how often it was seen, and the number of finite margins.

    Then their least, largest, the ends of the middle 98 %, and the mean; NaN for none.
    """

    hazard: str
    seen: int
    finite: int
    least: float = math.nan
    most: float = math.nan
    low: float = math.nan
    high: float = math.nan
    mean: float = math.nan


@dataclass(frozen=True, slots=True)
class Shown:
    """One feeder in a run. Errors and limits are in the unit of display.

    ``placed``: whether a carrier got an insert. ``errors``, ``inside`` (whether in tolerance) and
    ``regime`` (number of changes of the line so far; None for none, or too many to show) have a
    place for each that did, shape (n,). ``steady``: one speed and one setting ran all the time.
    ``margins``: of the counted feed cycles, hazard by hazard; ``cycles``: how many these are.
    ``numbers``: first and last counted carrier (equal to or below the first: none). ``view``: the
    least and largest error shown; errors beyond are far off the rest.
    """

    figures: FeederResults
    placed: Bools
    errors: Floats
    inside: Bools
    regime: NDArray[np.int8] | None
    steady: bool
    margins: tuple[Margin, ...]
    cycles: int
    lanes: tuple[MarkRow, ...]
    numbers: tuple[int, int]
    tolerance: float
    view: tuple[float, float]
    units: System

    def carriers(self, which: Places) -> Places:
        """Return the numbers of the carriers of some errors, by their places in rising order."""
        found, seen = [], 0
        for begin in range(0, len(self.placed), AT_ONCE):
            there = np.flatnonzero(self.placed[begin : begin + AT_ONCE])
            low, high = np.searchsorted(which, (seen, seen + len(there)))
            found.append(there[which[low:high] - seen] + begin)
            seen += len(there)
        return np.concatenate(found)

    @property
    def unit(self) -> str:
        """Label of the unit of length."""
        return display_unit("length", self.units).label

    @property
    def factor(self) -> float:
        """Units of display per mm."""
        return display_unit("length", self.units).factor

    @property
    def tolerance_text(self) -> str:
        """The tolerance with its unit, without a sign."""
        return display(self.tolerance / self.factor, "length", units=self.units)

    @property
    def beyond(self) -> tuple[Places, Places]:
        """Positions of the errors below the view and above it."""
        low, high = self.view
        return np.flatnonzero(self.errors < low), np.flatnonzero(self.errors > high)

    def signed(self, error: float) -> str:
        """Write an error with sign and unit."""
        return length(error / self.factor, self.units, sign=True)


def shown_of(
    figures: FeederResults,
    number: int,
    records: RunRecords,
    machine: Machine,
    *,
    criteria: Criteria,
    units: System,
) -> Shown:
    """Extract from the records what is shown of one feeder."""
    feeder = records.feeders[number]
    factor = display_unit("length", units).factor
    first, last = records.warm_up, len(feeder.outcome) - 1
    finest = resolution_mm(records)
    placed = feeder.outcome[:] == Outcome.PLACED
    placed[:first] = False
    cycles = combined(slice(0, last + 1), lambda insert: insert >= 0, feeder.insert)
    hazards = partial(
        cycle_hazards,
        feeder,
        machine=machine.feeders[number],
        room_mm=machine.carriers.room_mm(machine.feeders[number].inserts),
        criteria=criteria,
        resolution_mm=finest,
    )
    at_risk = any_of(hazards(slice(0, last + 1)))
    cycles[:first] = False
    margins = tuple(map(_margin_of, hazards(cycles)))
    errors = feeder.placement_error_mm[placed]
    limit = criteria.largest_error_mm(finest)
    inside = combined(slice(0, len(errors)), lambda error: np.abs(error) <= limit, errors)
    errors *= factor
    tolerance = criteria.placement_tolerance_mm * factor
    p01, p99 = figures.placement_error.p01_mm or 0.0, figures.placement_error.p99_mm or 0.0
    regime = regimes(records) if records.adjustments else None
    return Shown(
        figures=figures,
        placed=placed,
        errors=errors,
        inside=inside,
        regime=None if regime is None else regime[placed],
        steady=not machine.line.profile and not records.adjustments,
        margins=margins,
        cycles=int(np.count_nonzero(cycles)),
        lanes=mark_rows(records, machine, number, hazard=at_risk),
        numbers=(first, last),
        tolerance=tolerance,
        view=_view(errors, tolerance, (p01 * factor, p99 * factor)),
        units=units,
    )


def _margin_of(hazard: CycleHazard) -> Margin:
    margin, end = hazard.margin, 0
    for i in range(0, len(margin) if margin.flags.writeable else 0, AT_ONCE):
        part = margin[i : i + AT_ONCE]
        part = part[np.isfinite(part)]
        margin[end : end + len(part)] = part  # in place: of a long run it is large
        end += len(part)
    seen, finite = int(np.count_nonzero(hazard.there)), margin[:end]
    if not end:
        return Margin(hazard.name, seen, 0)
    least, most, mean = float(finite.min()), float(finite.max()), float(finite.mean())
    low, high = np.percentile(finite, (1.0, 99.0), overwrite_input=True).tolist()
    return Margin(hazard.name, seen, end, least, most, low, high, mean)


def _view(errors: Floats, tolerance: float, middle: tuple[float, float]) -> tuple[float, float]:
    """Choose what to show: the tolerance and the errors, but not those far off the rest."""
    low, high = -1.3 * tolerance, 1.3 * tolerance
    if not len(errors):
        return low, high
    first, last = middle
    room = 0.5 * max(last - first, tolerance)
    low, high = min(low, first - room), max(high, last + room)
    least, most, span = float(errors.min()), float(errors.max()), high - low
    if low - 0.5 * span < least:
        low = min(low, least - 0.03 * span)
    if most < high + 0.5 * span:
        high = max(high, most + 0.03 * span)
    return low, high


def bins(shown: Shown) -> Floats:
    """Return bin edges over the view, the tolerance limits among them if possible.

    Widths near that of Freedman and Diaconis 1981, 2·IQR/n^(1/3), so that the tolerance is a whole
    number of them; if that is wider than the tolerance, bins from limit to limit and of that width.
    """
    (low, high), tolerance, n = shown.view, shown.tolerance, len(shown.errors)
    width = (high - low) / _MOST_BINS
    if n:
        some = shown.errors[:: 1 + n // _ENOUGH]  # a bin's width need not be exact
        quarter, three = np.percentile(some, (25.0, 75.0)).tolist()
        width = max(width, 2.0 * (three - quarter) / n ** (1.0 / 3.0))
    parts, shift = tolerance / width, 0.0
    if parts >= 1.0:
        width = tolerance / math.floor(parts)
    elif high - low <= 2.0 * tolerance * _MOST_BINS:
        width, shift = 2.0 * tolerance, 0.5
    else:
        width = tolerance * math.ceil(1.0 / parts)
    first, last = math.floor(low / width - shift), math.ceil(high / width - shift)
    edges: Floats = width * (np.arange(first, last + 1.0) + shift)
    at = np.abs(np.abs(edges) - tolerance) < 1e-9 * tolerance
    edges[at] = np.copysign(tolerance, edges[at])
    return edges


def thinned(expendable: Bools) -> Places:
    """Return the positions of the dots to draw, rising, of which the expendable may be left out.

    All others are kept, and at most ``MOST_DOTS`` of these, at an even step, so that their density
    keeps its shape.
    """
    free = int(np.count_nonzero(expendable))
    if free <= MOST_DOTS:
        return np.arange(len(expendable))
    step, seen = -(-free // MOST_DOTS), 0
    kept = [np.flatnonzero(~expendable)]
    for begin in range(0, len(expendable), AT_ONCE):
        some = np.flatnonzero(expendable[begin : begin + AT_ONCE]) + begin
        kept.append(some[-seen % step :: step].copy())  # a view would keep all of them
        seen += len(some)
    return np.sort(np.concatenate(kept))
