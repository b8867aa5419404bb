"""Products by what is on them: complete, partial, empty; doubled, misplaced, good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Bools
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.course import Course
from feedsim.metrics.diverted import Diverted, diverted
from feedsim.metrics.gate_rows import gate_rows
from feedsim.metrics.overlaps import Overlap, overlaps
from feedsim.metrics.product_rows import ProductClass, ProductRows, needed
from feedsim.metrics.share import Share, share_of
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome

_MOST_COMBINATIONS = 20


@dataclass(frozen=True, slots=True)
class MissedAt:
    """A feeder that missed, and why."""

    feeder: str
    cause: str


@dataclass(frozen=True, slots=True)
class MissedTogether:
    """Feeders that missed a product together, with their causes, and how often."""

    feeders: tuple[MissedAt, ...]
    count: int
    share: float


@dataclass(frozen=True, slots=True)
class Products:
    """The counted carriers' products. Each is complete, partial or empty.

    ``needs``: feeders whose inserts a complete product needs.
    ``complete``, ``partial``, ``empty``: partial: some inserts, but not all it needs. Empty: none.
    ``doubled``: A double lies on it, found or not.
    ``out_of_tolerance``: an insert on it lies beyond the placement tolerance.
    ``wrong_overlap``: two inserts on it violate the recipe.
    ``good``: complete, with none of these three defects.
    ``good_per_hour``: includes the time of stops.
    ``missing``: which feeders missed together, the most frequent first, 20 at most.
    ``missing_otherwise``: products with any other combination.
    ``diverted``: what the divert gate did; None on a line that has none.
    """

    needs: tuple[str, ...]
    complete: Share
    partial: Share
    empty: Share
    doubled: Share
    out_of_tolerance: Share
    wrong_overlap: Share
    good: Share
    good_per_hour: float | None
    missing: tuple[MissedTogether, ...]
    missing_otherwise: int
    overlaps: tuple[Overlap, ...]
    diverted: Diverted | None


def products(
    records: RunRecords,
    rows: ProductRows,
    machine: Machine,
    *,
    criteria: Criteria,
    names: Sequence[str],
    duration_s: float | None,
    course: Course,
) -> Products:
    """Return the figures of a run's products; ``names`` has one for each feeder.

    ``duration_s``: time for the counted carriers, stops included. ``course``: how the rows of the
    records are divided.
    """
    counted = course.among(slice(records.warm_up, records.warm_up + len(rows.classes)))

    def share(flags: Bools) -> Share:
        return share_of(flags, counted)

    good = share(rows.good)
    missing = _missing(records, names)
    needs = needed(machine, criteria)
    gate = None
    if machine.divert is not None:
        at_gate = gate_rows(records, machine.divert, needs=needs, good=rows.good)
        gate = diverted(at_gate, rows, duration_s=duration_s, course=counted)
    told = missing[:_MOST_COMBINATIONS]
    return Products(
        needs=tuple(names[number] for number in needs),
        complete=share(rows.classes == ProductClass.COMPLETE),
        partial=share(rows.classes == ProductClass.PARTIAL),
        empty=share(rows.classes == ProductClass.EMPTY),
        doubled=share(rows.doubled),
        out_of_tolerance=share(rows.out_of_tolerance),
        wrong_overlap=share(rows.wrong_overlap),
        good=good,
        good_per_hour=good.per_hour(duration_s),
        missing=told,
        missing_otherwise=sum(m.count for m in missing[len(told) :]),
        overlaps=overlaps(records, machine, recipe=criteria.recipe, names=names, course=counted),
        diverted=gate,
    )


def _missing(records: RunRecords, names: Sequence[str]) -> tuple[MissedTogether, ...]:
    if not records.feeders:
        return ()
    outcomes = np.stack([f.outcome[records.warm_up :] for f in records.feeders], axis=1)
    bad = outcomes[np.any(outcomes != Outcome.PLACED, axis=1)]
    if not len(bad):
        return ()
    kinds, counts = np.unique(bad, axis=0, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    return tuple(
        MissedTogether(
            feeders=tuple(
                MissedAt(names[number], Outcome(outcome).cause)
                for number, outcome in enumerate(kinds[k].tolist())
                if outcome != Outcome.PLACED
            ),
            count=int(counts[k]),
            share=int(counts[k]) / len(outcomes),
        )
        for k in order.tolist()
    )
