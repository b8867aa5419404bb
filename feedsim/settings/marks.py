"""Marks that merge at the carrier eye, and whether there may be too many for the memory."""

from __future__ import annotations

from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.kept import mark_to_act
from feedsim.settings.levels import averaged, filters, gap_lasts, gap_too_short
from feedsim.settings.seen import Gap

_FAR = 9.0  # standard deviations beyond which a share is negligible


@term
def share_merged(at: FeederAtSpeed) -> float:
    """Return the share of carriers that merge with the one before (feedsim/MODEL.md, section 4).

    Filter or scan may need a longer gap than the output takes to drop
    (:mod:`feedsim.settings.levels`). None merges behind an empty pitch.
    """
    eye, arrival = at.carrier_eye, at.carriers.arrival
    here = 1.0 - at.carriers.missing

    def shorter(travel: float) -> float:
        return arrival.share_of_gaps_below(travel, edge_sd_mm=eye.edge_sd_mm)

    if not filters(eye):
        return here * shorter(at.speed_mm_s * eye.off_response_s)
    if arrival.gap is None:
        return here * averaged(
            lambda more: shorter(at.speed_mm_s * (eye.off_response_s + more)),
            gap_lasts(eye, at.controller),
        )
    return here * gap_too_short(eye, at.controller, arrival.gap, speed_mm_s=at.speed_mm_s)


def needed_gap(at: FeederAtSpeed) -> Gap:
    """Return what the carrier eye needs between two carriers (mm of belt travel).

    v times each time of feedsim/MODEL.md, section 4.
    """
    eye = at.carrier_eye
    times = (eye.off_response_s, eye.response_s, eye.response_jitter_s, eye.filter_s)
    scan_s = at.controller.scan_s if eye.polled else 0.0
    return Gap(*(at.speed_mm_s * time for time in (*times, scan_s)))


def may_be_full(at: FeederAtSpeed) -> bool:
    """Return whether marks can outnumber the places: longest kept > places·shortest pitch.

    Fact 12 of feedsim/MODEL.md, section 13. A mark is kept until it is acted on, or while it waits
    for the feeder until out of reach.
    """
    c, controller = at.carriers, at.controller
    kept = mark_to_act(at)
    longest = kept.average + _FAR * kept.sd
    if controller.not_ready_engages:
        longest += c.length_mm
    return longest > controller.mark_memory * c.arrival.shortest_mm
