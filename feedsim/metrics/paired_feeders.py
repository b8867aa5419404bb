"""Two setups with common random numbers, feeder by feeder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Bools
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.course import together
from feedsim.metrics.cycle_hazards import CycleHazard, any_of, cycle_hazards
from feedsim.metrics.paired import (
    LengthDifference,
    ShareDifference,
    mean_difference,
    sd_difference,
    share_difference,
)
from feedsim.metrics.planned import course_of
from feedsim.metrics.rows import Rows
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome


@dataclass(frozen=True, slots=True)
class Ran:
    """A setup that has run: its records, machine and criteria."""

    records: RunRecords
    machine: Machine
    criteria: Criteria


@dataclass(frozen=True, slots=True)
class FeederDifference:
    """All differences at one feeder.

    ``name``, ``first_name``: of the feeder, in the other setup and in the first.
    ``placement_mean``, ``placement_sd``: of the placement error.
    ``within_tolerance``: carriers whose insert lies within the tolerance, of those placed in both.
    ``missed``: of all counted carriers.
    ``jam_risk``: carriers with a hazard in their feed cycle, of all counted carriers (a carrier
    without a feed cycle had no hazard).
    """

    name: str
    first_name: str
    placement_mean: LengthDifference
    placement_sd: LengthDifference
    within_tolerance: ShareDifference
    missed: ShareDifference
    jam_risk: ShareDifference


def feeder_difference(
    first: Ran, other: Ran, *, number: int, names: tuple[str, str]
) -> FeederDifference:
    """Return how another setup differs from the first at one feeder, by its number from 0.

    Carriers, warm-ups and runs are the same (else ValueError): row k of both is the same carrier.
    ``names``: of the feeder in the first setup and in the other.
    """
    a, b = first.records, other.records
    if (a.warm_up, a.begins, len(a.carriers.eye_time_s)) != (
        b.warm_up,
        b.begins,
        len(b.carriers.eye_time_s),
    ):
        raise ValueError("the records of two setups are not of the same carriers")
    counted = slice(a.warm_up, None)
    here, there = a.feeders[number], b.feeders[number]
    landed = [feeder.outcome[counted] == Outcome.PLACED for feeder in (here, there)]
    rows = np.flatnonzero(landed[0] & landed[1]) + a.warm_up
    errors = here.placement_error_mm[rows], there.placement_error_mm[rows]
    course = together(*(course_of(ran.records, ran.machine) for ran in (first, other)))
    among = course.among(rows)
    finest = [resolution_mm(records) for records in (a, b)]
    within = [within_tolerance(ran, number, rows=rows) for ran in (first, other)]
    risky = [with_hazard(ran, number)[counted] for ran in (first, other)]
    every = course.among(slice(a.warm_up, a.warm_up + len(landed[0])))
    return FeederDifference(
        name=names[1],
        first_name=names[0],
        placement_mean=mean_difference(*errors, resolution=sum(finest), course=among),
        placement_sd=sd_difference(*errors, resolution=sum(finest), course=among),
        within_tolerance=share_difference(*within, more_is_better=True, course=among),
        missed=share_difference(~landed[0], ~landed[1], more_is_better=False, course=every),
        jam_risk=share_difference(*risky, more_is_better=False, course=every),
    )


def within_tolerance(ran: Ran, number: int, *, rows: Rows) -> Bools:
    """Return which placed inserts of a feeder (by number, from 0) lie within the tolerance."""
    errors = np.abs(ran.records.feeders[number].placement_error_mm[rows])
    inside: Bools = errors <= ran.criteria.largest_error_mm(resolution_mm(ran.records))
    return inside


def with_hazard(ran: Ran, number: int) -> Bools:
    """Return which carriers, warm-up included, had a hazard in their feed cycle at a feeder."""
    every = slice(0, len(ran.records.feeders[number].insert))
    return any_of(hazards_of(ran, number, rows=every))


def hazards_of(ran: Ran, number: int, *, rows: Rows) -> Iterator[CycleHazard]:
    """Yield a feeder's hazards in some rows (:func:`cycle_hazards`)."""
    feeder = ran.machine.feeders[number]
    return cycle_hazards(
        ran.records.feeders[number],
        rows,
        machine=feeder,
        room_mm=ran.machine.carriers.room_mm(feeder.inserts),
        criteria=ran.criteria,
        resolution_mm=resolution_mm(ran.records),
    )
