"""Marks that merge at the carrier eye, and whether there may be too many for the memory."""

from __future__ import annotations

import math

from feedsim.settings.distribution import Distribution, clipped_at
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.levels import averaged, filters, gap_lasts
from feedsim.settings.recorded import share_of_gaps_below
from feedsim.settings.spreads import mark_to_act

__all__ = ["blind_travel", "may_be_full", "share_merged"]

_FAR = 9.0  # standard deviations beyond which a share is nothing


@term
def share_merged(at: FeederAtSpeed) -> float:
    """Return the share of carriers that merge with the one before (feedsim/MODEL.md, section 4).

    A filter or scan may want the gap to last longer than the eye's output needs to drop
    (:mod:`feedsim.settings.levels`). Behind an empty pitch none merges.
    """
    c, eye = at.carriers, at.carrier_eye
    here = 1.0 if c.record_mm else 1.0 - c.missing
    if not filters(eye):
        return here * _shorter(at, at.speed_mm_s * eye.off_response_s)
    needs = gap_lasts(eye, at.controller)
    if c.random or c.record_mm:
        return here * averaged(
            lambda more: _shorter(at, at.speed_mm_s * (eye.off_response_s + more)), needs
        )
    gap = clipped_at(c.min_gap_mm, mean=c.pitch_mm - c.length_mm, sd=c.pitch_sd_mm)
    seen = gap.plus(Distribution(normal_sd=eye.edge_sd_mm)).plus(needs.times(-at.speed_mm_s))
    return here * seen.share_below(at.speed_mm_s * eye.off_response_s)


def blind_travel(at: FeederAtSpeed) -> float:
    """Return the gap (mm) that the carrier eye needs between two carriers, on average."""
    eye = at.carrier_eye
    more = gap_lasts(eye, at.controller).average if filters(eye) else 0.0
    return at.speed_mm_s * (eye.off_response_s + more)


def _shorter(at: FeederAtSpeed, blind: float) -> float:
    """Return the share of gaps that end before a travel (mm)."""
    c, eye = at.carriers, at.carrier_eye
    if c.record_mm:
        return share_of_gaps_below(c, blind, edge_sd_mm=eye.edge_sd_mm) if blind else 0.0
    if c.random:
        mean = c.pitch_mm - c.length_mm - c.min_gap_mm
        return _exponential_below(blind - c.min_gap_mm, mean, eye.edge_sd_mm)
    if blind == 0.0 and eye.edge_sd_mm == 0.0:
        return 0.0
    gap = clipped_at(c.min_gap_mm, mean=c.pitch_mm - c.length_mm, sd=c.pitch_sd_mm)
    return gap.plus(Distribution(normal_sd=eye.edge_sd_mm)).share_below(blind)


def _exponential_below(travel: float, mean: float, sd: float) -> float:
    """Return P(X + Y < travel), X exponential of that mean, Y normal about 0 (all mm).

    The integral of 1 − e^(−(travel − y)/mean) over the density of Y up to travel:
    Φ(t/s) − e^(s²/2m² − t/m)·Φ(t/s − s/m).
    """
    if sd == 0.0:
        return -math.expm1(-max(0.0, travel) / mean)
    from scipy.special import log_ndtr, ndtr

    z = travel / sd
    beyond = math.exp(0.5 * (sd / mean) ** 2 - travel / mean + float(log_ndtr(z - sd / mean)))
    return max(0.0, float(ndtr(z)) - beyond)


def may_be_full(at: FeederAtSpeed) -> bool:
    """Tell whether marks kept for so long can be more than there are places.

    A mark is kept until it is acted on, and where it waits for the feeder until its carrier can no
    longer be hit.
    """
    c, controller = at.carriers, at.controller
    kept = mark_to_act(at)
    longest = kept.average + _FAR * kept.sd
    if controller.not_ready_engages:
        longest += c.length_mm
    return longest > controller.mark_memory * (c.length_mm + c.min_gap_mm)
