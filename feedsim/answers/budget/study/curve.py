"""An error budget as curves over the speed: the sources, their sum, and what is allowed."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.answers.budget.study.run import steady
from feedsim.probability.distribution import Distribution
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import Source, combined_sd, placement_sources, placement_spread

_TINY_MM = 1e-9


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One feeder at one speed: its sources, their sum, and the sum that the tolerance allows."""

    sources: tuple[Source, ...]
    combined_sd_mm: float
    allowed_sd_mm: float | None


def curves_at(scenario: Scenario, speed_mm_s: float) -> list[CurvePoint]:
    """Return the points of the curves for each feeder; nothing else of a budget is worked out."""
    machine = machine_of(steady(scenario, speed_mm_s))
    accept = scenario.acceptance
    found = []
    for feeder in machine.feeders:
        at = FeederAtSpeed(machine, feeder)
        sources, error = placement_sources(at), placement_spread(at, late=False)
        scale = allowed_scale(error, accept.placement_tolerance, within=accept.within_tolerance)
        allowed = None if scale is None else scale * sd_of(error)
        found.append(CurvePoint(sources, combined_sd(sources), allowed))
    return found


def sd_of(error: Distribution) -> float:
    """Return the standard deviation of a distribution without its rare values (its own unit)."""
    return error._replace(rarely=()).sd


def allowed_scale(error: Distribution, tolerance_mm: float, *, within: float) -> float | None:
    """Return the factor by which an error on target may spread more (below 1: must spread less).

    Its shape stays as it is; its mean is left out.

    Parameters
    ----------
    error : Distribution
        Of the placement error, mm.
    tolerance_mm : float
        Either side of the target.
    within : float
        Share that has to lie within, 0…1.

    Returns
    -------
    float or None
        None where nothing spreads, or where no finite spread does (``within`` 0 or 1).
    """
    centred = error.shifted(-error._replace(rarely=()).average)
    if not 0.0 < within < 1.0 or centred.share_outside(-_TINY_MM, _TINY_MM) == 0.0:
        return None

    def out(scale: float) -> float:
        reach = tolerance_mm / scale
        return centred.share_outside(-reach, reach) - (1.0 - within)

    low = high = 1.0
    while out(low) > 0.0:
        low *= 0.5
    while out(high) < 0.0:
        high *= 2.0
    from scipy.optimize import brentq

    return float(brentq(out, low, high, rtol=1e-6))
