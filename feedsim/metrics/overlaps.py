"""Overlap of the inserts of two feeders, product by product."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.criteria import AllowedOverlap, Recipe
from feedsim.machine import Feeder, Machine
from feedsim.metrics.course import Course
from feedsim.metrics.intervals import Interval
from feedsim.metrics.means import mean_interval
from feedsim.metrics.rows import combined
from feedsim.metrics.share import Share, share_of
from feedsim.metrics.spread import resolution_mm, spread
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.settings.overlap import overlap_mm


@dataclass(frozen=True, slots=True)
class Overlap:
    """The overlap of two feeders' inserts, where both were placed.

    ``below``, ``above``: names of the feeders whose inserts lie below and above.
    ``nominal_mm``: from target offsets and lengths; below 0: the clearance.
    ``n``: products on which both were placed.
    ``min_allowed_mm``, ``max_allowed_mm``: limits of the recipe, if any.
    ``overlapping``: of these n products, those on which the inserts overlap.
    ``wrong``: of these n products, those whose overlap violates the recipe.
    """

    below: str
    above: str
    nominal_mm: float
    n: int
    mean_mm: float | None
    mean_ci95_mm: Interval | None
    sd_mm: float | None
    min_mm: float | None
    max_mm: float | None
    min_allowed_mm: float | None
    max_allowed_mm: float | None
    overlapping: Share
    wrong: Share


def nominal_overlap_mm(one: Feeder, other: Feeder) -> float:
    """Return the overlap of two inserts on target (mm); below 0: the clearance."""
    both = (one, other)
    lengths = [feeder.inserts.length_mm for feeder in both]
    return overlap_mm([feeder.settings.target_offset_mm for feeder in both], lengths)


def overlaps_mm(records: RunRecords, machine: Machine, *, one: int, other: int) -> Floats:
    """Return the overlap (mm) of two feeders' inserts on each counted carrier, shape (n,).

    Both lie flat from their offset over one insert length, doubles too: the overlap is
    min(o₁ + L₁, o₂ + L₂) − max(o₁, o₂), below 0 the clearance between them. NaN unless both were
    placed.
    """
    pair = [records.feeders[number] for number in (one, other)]
    lengths = [machine.feeders[number].inserts.length_mm for number in (one, other)]

    def overlap(*columns: Floats) -> Floats:
        placed = [outcome == Outcome.PLACED for outcome in columns[:2]]
        offsets = [np.where(*there, np.nan) for there in zip(placed, columns[2:], strict=True)]
        ends = [offset + length for offset, length in zip(offsets, lengths, strict=True)]
        found: Floats = np.minimum(*ends) - np.maximum(*offsets)
        return found

    counted = slice(records.warm_up, len(pair[0].outcome))
    return combined(counted, overlap, *(f.outcome for f in pair), *(f.offset_mm for f in pair))


def all_pairs(machine: Machine, recipe: Recipe) -> Iterator[AllowedOverlap]:
    """Yield every pair of feeders with what the recipe allows, the recipe's own first."""
    yield from recipe.pairs
    said = {frozenset((pair.below, pair.above)) for pair in recipe.pairs}
    most = math.inf if recipe.may_overlap else 0.0
    for below, above in combinations(machine.laying_order, 2):
        if frozenset((below, above)) not in said:
            yield AllowedOverlap(below, above, max_overlap_mm=most)


def wrong(overlap_mm: Floats, pair: AllowedOverlap, *, resolution_mm: float) -> Bools:
    """Return on which products a pair violates the recipe; false unless both were placed.

    ``overlap_mm``: of :func:`overlaps_mm`; one beyond its limit by no more than ``resolution_mm``
    counts as within.
    """
    low, high = pair.min_overlap_mm - resolution_mm, pair.max_overlap_mm + resolution_mm
    return np.isfinite(overlap_mm) & ((overlap_mm < low) | (overlap_mm > high))


def told_pairs(records: RunRecords, machine: Machine, recipe: Recipe) -> list[AllowedOverlap]:
    """Return the pairs of feeders to report.

    Those named in the recipe, neighbours along the carrier, and those whose inserts overlap on any
    counted carrier.
    """
    told = {frozenset((pair.below, pair.above)) for pair in recipe.pairs}
    along = sorted(
        range(len(machine.feeders)), key=lambda i: machine.feeders[i].settings.target_offset_mm
    )
    told |= {frozenset(pair) for pair in pairwise(along)}
    finest = resolution_mm(records)
    return [
        pair
        for pair in all_pairs(machine, recipe)
        if frozenset((pair.below, pair.above)) in told
        or np.any(overlaps_mm(records, machine, one=pair.below, other=pair.above) > finest)
    ]


def overlaps(
    records: RunRecords,
    machine: Machine,
    *,
    recipe: Recipe,
    names: Sequence[str],
    course: Course,
) -> tuple[Overlap, ...]:
    """Return the figures of each pair of :func:`told_pairs`; ``names`` has one for each feeder.

    ``course``: how the counted carriers are divided.
    """
    return tuple(
        _figures(pair, records=records, machine=machine, names=names, course=course)
        for pair in told_pairs(records, machine, recipe)
    )


def _figures(
    pair: AllowedOverlap,
    *,
    records: RunRecords,
    machine: Machine,
    names: Sequence[str],
    course: Course,
) -> Overlap:
    values = overlaps_mm(records, machine, one=pair.below, other=pair.above)
    finest = resolution_mm(records)
    rows = np.isfinite(values)
    both = values[rows]
    n = len(both)
    s = spread(both, resolution=finest)
    among = course.among(rows)
    return Overlap(
        below=names[pair.below],
        above=names[pair.above],
        nominal_mm=nominal_overlap_mm(machine.feeders[pair.below], machine.feeders[pair.above]),
        n=n,
        mean_mm=s.mean,
        mean_ci95_mm=mean_interval(both, resolution=finest, course=among),
        sd_mm=s.sd,
        min_mm=float(both.min()) if n else None,
        max_mm=float(both.max()) if n else None,
        min_allowed_mm=_limit(pair.min_overlap_mm),
        max_allowed_mm=_limit(pair.max_overlap_mm),
        overlapping=share_of(both > finest, among),
        wrong=share_of(wrong(both, pair, resolution_mm=finest), among),
    )


def _limit(value: float) -> float | None:
    return value if math.isfinite(value) else None
