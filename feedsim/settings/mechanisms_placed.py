"""Mechanisms that put inserts out of tolerance, in closed form.

Each is the probability that the error it brings exceeds the tolerance (feedsim/MODEL.md, section
13), by the distribution of that error.
"""

from __future__ import annotations

from feedsim.criteria import Criteria
from feedsim.probability.distribution import Distribution
from feedsim.settings.acts import locked_step
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.late_acts import late_opening
from feedsim.settings.next_cycle import lands_in_next
from feedsim.settings.nominal_cycle import no_cycle_because
from feedsim.settings.predict import late_share
from feedsim.settings.queues import Waits
from feedsim.settings.sources import late_acts_of_placement, placement_spread
from feedsim.settings.waiting import waiting


def late_service(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts out of tolerance because the carrier waited for the feeder.

    P(mean + wait > tolerance), of the waits of feedsim/MODEL.md, section 13, fact 11, and the mean
    error without one. Too late, or too early if the stage correction was not yet in force at its
    point.
    """
    if not at.controller.not_ready_engages:
        return 0.0
    tolerance, mean = allowed.placement_tolerance_mm, placement_spread(at).average
    return served_outside(waiting(at, allowed), -tolerance - mean, tolerance - mean)


def served_outside(waits: Waits, low_mm: float, high_mm: float) -> float:
    """Return the share of served carriers whose wait puts them outside two ends (mm)."""
    early, late = max(0.0, -low_mm), max(0.0, high_mm)
    return float(waits.served_beyond(late)) + waits.served_before(early)


def late_engages(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts placed too late because their mark was known too late.

    P(mean + lateness > tolerance), the mean error of marks known in time.
    """
    if not at.controller.late_mark_engages:
        return 0.0
    # from scan tick to motion tick it is half a step less than settings assume
    sooner = 0.5 * at.speed_mm_s * locked_step(at.controller)
    tolerance = allowed.placement_tolerance_mm - placement_spread(at).average
    return late_marks_by(at, max(0.0, tolerance) + sooner)


def late_marks_by(at: FeederAtSpeed, by_mm: float) -> float:
    """Return the share of marks known more than a travel (mm) after their point.

    :func:`feedsim.settings.predict.late_share` of q·(round(E/q) + ½) + travel. The point is a whole
    number of counts on, and passed at the next count: half a count later on average, by the mark's
    own fraction of a count.
    """
    travel, count = at.engage_travel_mm, at.count_mm
    if count > 0.0:
        travel = count * (round(travel / count) + 0.5)
    return late_share(at, travel + by_mm, scanned=at.carrier_eye.scanned)


def late_openings(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that late openings put out of tolerance, beyond those out anyway."""
    off = late_opening(at)
    if not off.mean and not off.rarely:
        return 0.0
    return beyond(_whole(at, allowed), placement(at, allowed))


def beyond(whole: float, anyway: float) -> float:
    """Return the share hit by a further cause, of those not hit anyway.

    (whole − anyway)/(1 − anyway), a conditional probability (by definition).
    """
    return max(0.0, whole - anyway) / (1.0 - anyway) if anyway < 1.0 else 0.0


@term
def placement(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts out of tolerance by spread and mean error alone, without late openings.

    P(|error| > tolerance), :func:`feedsim.settings.sources.placement_spread` the error's law. If
    settings compensate the mean effect of late openings, that compensation stays in.
    """
    alone, mean = placement_spread(at, late=False), placement_spread(at).average
    left, found = alone.average, _outside(alone, allowed)
    if abs(mean) < abs(left):
        found = min(found, _outside(alone.shifted(mean - left), allowed))
    if late_acts_of_placement(at) is not None:  # what late ones wait for may spread less
        found = min(found, _whole(at, allowed))
    return found


@term
def _whole(at: FeederAtSpeed, allowed: Criteria) -> float:
    return _outside(placement_spread(at), allowed)


def _outside(error: Distribution, allowed: Criteria) -> float:
    tolerance = allowed.placement_tolerance_mm
    return error.share_outside(-tolerance, tolerance)


def no_cycle(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that land only in the next cycle; 1 if cycles cannot repeat.

    They are short of the placement point when the clutch closes again: the law of gaps over cycles
    that leave their lag to each other (feedsim/MODEL.md, section 13, facts 10 and 16).
    """
    return 1.0 if no_cycle_because(at) else lands_in_next(at)
