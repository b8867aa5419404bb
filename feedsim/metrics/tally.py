"""Counts of one line that add up over runs, and the acceptance figures from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from enum import Enum
from typing import Any, NamedTuple

import numpy as np

from feedsim.criteria import Criteria
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.clusters import InOrder, in_order
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.missed import miss_causes
from feedsim.metrics.paired_feeders import Ran, hazards_of, within_tolerance
from feedsim.metrics.planned import course_of
from feedsim.metrics.rows import cycle_rows, number_of, placed_rows
from feedsim.metrics.share import counted
from feedsim.records.outcome import Outcome


class Sureness(Enum):
    """Verdict on a line at one speed."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of one feeder.

    ``within``: placed inserts within the tolerance. ``at_risk``: feed cycles with a hazard, of
    ``cycles``. ``causes`` and ``hazards``: in the order of the results. ``within_in_order``,
    ``missed_in_order``, ``risk_in_order``: the same hits with their clustering, one entry a run.
    """

    carriers: int
    missed: int
    placed: int
    within: int
    cycles: int
    at_risk: int
    causes: tuple[int, ...]
    hazards: tuple[int, ...]
    within_in_order: tuple[InOrder, ...]
    missed_in_order: tuple[InOrder, ...]
    risk_in_order: tuple[InOrder, ...]


def tally(ran: Ran, *, number: int) -> Tally:
    """Return the counts of one feeder (by number, from 0) in a run."""
    records = ran.records
    feeder, warm_up = records.feeders[number], records.warm_up
    outcomes, course = feeder.outcome[warm_up:], course_of(records, ran.machine)
    placed, cycles = placed_rows(feeder, warm_up), cycle_rows(feeder, warm_up)
    counts = slice(warm_up, warm_up + len(outcomes))
    within = within_tolerance(ran, number, rows=placed)
    by_hazard: dict[str, int] = {}
    risk = np.zeros(number_of(cycles), dtype=np.bool_)
    for hazard in hazards_of(ran, number, rows=cycles):
        by_hazard[hazard.name] = int(np.count_nonzero(hazard.there))
        risk |= hazard.there
    return Tally(
        carriers=len(outcomes),
        missed=len(outcomes) - number_of(placed),
        placed=number_of(placed),
        within=int(np.count_nonzero(within)),
        cycles=number_of(cycles),
        at_risk=int(np.count_nonzero(risk)),
        causes=tuple(miss_causes(outcomes).by_name.values()),
        hazards=tuple(by_hazard[f.name] for f in fields(Hazards)),
        within_in_order=in_order(within, course.among(placed)),
        missed_in_order=in_order(outcomes != Outcome.PLACED, course.among(counts)),
        risk_in_order=in_order(risk, course.among(cycles)),
    )


def added(tallies: Sequence[Tally]) -> Tally:
    """Return the counts of several runs together."""
    sums: dict[str, Any] = {}
    for f in fields(Tally):
        parts = [getattr(t, f.name) for t in tallies]
        if f.name.endswith("_in_order"):
            sums[f.name] = tuple(run for part in parts for run in part)
        elif isinstance(parts[0], tuple):
            sums[f.name] = tuple(sum(column) for column in zip(*parts, strict=True))
        else:
            sums[f.name] = sum(parts)
    return Tally(**sums)


class Shares(NamedTuple):
    """Each acceptance figure of a feeder with its interval, against its limit."""

    within_tolerance: AgainstLimit
    missed: AgainstLimit
    jam_risk: AgainstLimit


def shares_of(runs: Sequence[Tally], criteria: Criteria, *, confidence: float) -> Shares:
    """Return each share of a feeder, from independent runs in a fixed order, against its limit.

    Carriers of one run may be alike (losses come in runs, carriers share the phases of ticks and
    counts), so intervals, two-sided, use the effective number of trials
    (:func:`feedsim.metrics.clusters.design_effect`), within and between runs.
    """

    def against(
        orders: Iterable[Sequence[InOrder]], limit: float, *, at_least: bool = False
    ) -> AgainstLimit:
        share = counted([run for order in orders for run in order], confidence=confidence)
        return AgainstLimit(
            share.share, share.interval, limit, at_least=at_least, effective_n=share.effective_n
        )

    within = (run.within_in_order for run in runs)
    return Shares(
        within_tolerance=against(within, criteria.within_tolerance, at_least=True),
        missed=against((run.missed_in_order for run in runs), criteria.missed),
        jam_risk=against((run.risk_in_order for run in runs), criteria.jam_risk),
    )


def sureness(
    feeders: Sequence[Sequence[Tally]], criteria: Criteria, *, confidence: float
) -> Sureness:
    """Return whether all figures of all feeders, by their runs, are surely met, or one surely not.

    ``confidence``: of each two-sided interval that has to lie on one side of its limit.
    """
    tests = [test for runs in feeders for test in shares_of(runs, criteria, confidence=confidence)]
    nothing = any(not sum(run.placed for run in runs) for runs in feeders)
    if nothing or any(t.failed() and t.decided() for t in tests):
        return Sureness.REFUSED
    if all(t.decided() for t in tests) and not any(t.failed() for t in tests):
        return Sureness.ACCEPTED
    return Sureness.OPEN
