"""What the divert gate did: how many good and bad products passed or were taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Bools
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.gate_rows import GateClass, GateRows, Known
from feedsim.metrics.product_rows import ProductClass, ProductRows
from feedsim.metrics.share import Share, share_of


@dataclass(frozen=True, slots=True)
class DivertedFor:
    """Diverted carriers by the first reason known."""

    missed: int
    doubled: int
    late: int


@dataclass(frozen=True, slots=True)
class PassedWith:
    """Bad products that passed, each under the first of its defects in this order."""

    incomplete: int
    doubled: int
    out_of_tolerance: int
    wrong_overlap: int


@dataclass(frozen=True, slots=True)
class Diverted:
    """Counted carriers at the gate; the first four figures cover all that reached it.

    ``good_passed``, ``good_diverted``, ``bad_diverted``, ``bad_passed``: of the carriers that
    reached the gate.
    ``bad_of_passed``: bad products among those that passed the gate.
    ``good_passed_per_hour``: includes the time of stops.
    ``not_reached``: carriers that never reached the gate because the run was given up.
    ``passed_unknown``, ``passed_too_late``: bad products that passed because their defect was not
    known, or not in time.
    ``least_to_spare_s``: shortest time between knowing a reason to divert and the last moment to
    act on it.
    ``most_too_late_s``: longest time by which a bad product that passed was known too late.
    """

    good_passed: Share
    good_diverted: Share
    bad_diverted: Share
    bad_passed: Share
    bad_of_passed: Share
    good_passed_per_hour: float | None
    not_reached: int
    diverted_for: DivertedFor
    passed_with: PassedWith
    passed_unknown: int
    passed_too_late: int
    least_to_spare_s: float | None
    most_too_late_s: float | None


def diverted(
    rows: GateRows,
    products: ProductRows,
    *,
    duration_s: float | None,
    course: Course = ONE_RUN,
) -> Diverted:
    """Return the figures of the gate, and of the products of the same carriers.

    ``duration_s``: time for the counted carriers, stops included. ``course``: how these are
    divided.
    """

    def among(hits: Bools, cases: Bools) -> Share:
        places = np.flatnonzero(cases)
        return share_of(hits[places], course.among(places))

    good_passed, good_diverted, bad_diverted, bad_passed = (
        among(rows.gate == kind, rows.reached) for kind in list(GateClass)[:4]
    )
    bad = rows.gate == GateClass.BAD_PASSED
    off = rows.diverted
    spare = (rows.divert_by_time_s - rows.known_time_s)[off]
    late = (rows.known_time_s - rows.divert_by_time_s)[bad & (rows.known != Known.NOTHING)]
    return Diverted(
        good_passed=good_passed,
        good_diverted=good_diverted,
        bad_diverted=bad_diverted,
        bad_passed=bad_passed,
        bad_of_passed=among(bad, rows.reached & ~off),
        good_passed_per_hour=good_passed.per_hour(duration_s),
        not_reached=_count(~rows.reached),
        diverted_for=DivertedFor(
            *(_count(off & (rows.known == k)) for k in (Known.MISSED, Known.DOUBLED, Known.LATE))
        ),
        passed_with=_passed_with(bad, products),
        passed_unknown=_count(bad & (rows.known == Known.NOTHING)),
        passed_too_late=len(late),
        least_to_spare_s=float(spare.min()) if len(spare) else None,
        most_too_late_s=float(late.max()) if len(late) else None,
    )


def _passed_with(bad: Bools, products: ProductRows) -> PassedWith:
    left, counts = bad, []
    for wrong in (
        products.classes != ProductClass.COMPLETE,
        products.doubled,
        products.out_of_tolerance,
        products.wrong_overlap,
    ):
        counts.append(_count(left & wrong))
        left = left & ~wrong
    return PassedWith(*counts)


def _count(flags: Bools) -> int:
    return int(np.count_nonzero(flags))
