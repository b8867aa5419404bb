"""Inserts that go past their eye unseen, in closed form."""

from __future__ import annotations

import numpy as np

from feedsim.arrivals.law import clipped_beyond
from feedsim.criteria import Criteria
from feedsim.probability.distribution import Distribution
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.levels import filters, gap_lasts, level_lasts
from feedsim.settings.predict import cycle_time
from feedsim.settings.sources import slips
from feedsim.settings.spreads import gaps, stage_spread

_RARE, _NEARLY_ALL = 1e-6, 0.999


def insert_gap(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that merge with the one before at the insert eye, and stray."""
    return merged_inserts(at)


@term
def merged_inserts(at: FeederAtSpeed) -> float:
    """Return the share of :func:`insert_gap` (derived in feedsim/MODEL.md, section 13, fact 13).

    Where the tail of a staged insert still covers the eye, the insert falls back by its slip
    before the tail has passed, and only the gap less that is left. Where the tail has passed
    before the insert rests, the output has until the next nose comes, a cycle after the one
    before: a carrier pitch, less the way of an insert's length.
    """
    ins, eye = at.inserts, at.eye
    covered = stage_spread(at).share_below(ins.length_mm)
    merging = _merging(at, slips(at).times(-1.0)) if covered else 0.0
    if covered == 1.0:
        return merging
    off_s = eye.off_response_s
    if filters(eye):
        off_s += gap_lasts(eye, at.controller).average
    passing = at.speed_mm_s * (off_s + ins.length_mm / at.feed_mm_s)
    return covered * merging + (1.0 - covered) * _sooner(at, passing)


def _merging(at: FeederAtSpeed, shift: Distribution) -> float:
    """Return the share of gaps, so much longer, that end before the output drops."""
    eye = at.eye
    if eye.off_response_s == 0.0 and eye.edge_sd_mm == 0.0 and not filters(eye):
        return 0.0
    gap = gaps(at).plus(shift)
    feed = at.feed_mm_s
    seen = gap.plus(Distribution(normal_sd=eye.edge_sd_mm))
    if filters(eye):
        seen = seen.plus(gap_lasts(eye, at.controller).times(-feed))
    return seen.share_below(feed * eye.off_response_s)


def again_unseen(at: FeederAtSpeed) -> float:
    """Return the share of inserts unseen behind one that was: its gap is free of any slip."""
    merged = _merging(at, Distribution())
    return 1.0 - (1.0 - at.eye.missed) * (1.0 - merged) * (1.0 - _short(at))


def insert_short(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that have passed their eye before filter or scan lets them be seen.

    The clutch is closed until they are, so they pass at feed speed.
    """
    return _short(at)


@term
def _short(at: FeederAtSpeed) -> float:
    ins, eye = at.inserts, at.eye
    if not filters(eye):
        return 0.0
    feed = at.feed_mm_s
    lasts = Distribution(
        ins.length_mm + feed * (eye.off_response_s - eye.response_s),
        eye.edge_sd_mm,
        (feed * eye.response_jitter_s,),
    )
    return lasts.plus(level_lasts(eye, at.controller).times(-feed)).share_below(0.0)


def searched_on(
    at: FeederAtSpeed,
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return how likely a search goes on behind its first insert, and behind each further one.

    By a misfeed, behind which the gap is long and nothing merges; and by a stray, behind which the
    next one may merge again.
    """
    misfeed = at.inserts.misfeed
    stray = (1.0 - misfeed) * strays(at)
    behind = 1.0 - (1.0 - misfeed) * (1.0 - again_unseen(at))
    return (misfeed, 1.0 - (1.0 - misfeed) * (1.0 - at.eye.missed)), (stray, behind)


def passed_by(at: FeederAtSpeed) -> float:
    """Return by how much belt travel an insert that goes past makes a search longer, on average.

    A pitch, but those that merge do so since their gap is short: t where a share of gaps lies
    below it, t − E[max(0, t − X)]/P(X ≤ t) is the mean of these (elementary).
    """
    ins = at.inserts
    normal = {"least": ins.min_gap_mm, "mean": ins.gap_mm, "sd": ins.gap_sd_mm}

    def beyond(x: float) -> float:
        return float(clipped_beyond(np.array([x]), **normal)[0])

    gap = mean = ins.min_gap_mm + beyond(ins.min_gap_mm)
    merged = (1.0 - ins.misfeed) * merged_inserts(at)
    if merged > _RARE and ins.gap_sd_mm > 0.0:
        from scipy.special import ndtr, ndtri

        longest = ins.gap_mm + ins.gap_sd_mm * float(ndtri(min(merged, _NEARLY_ALL)))
        longest = max(ins.min_gap_mm, longest)
        below = float(ndtr((longest - ins.gap_mm) / ins.gap_sd_mm))
        short = longest - (longest - mean + beyond(longest)) / below
        gap -= min(1.0, merged / sum(share for share, _ in searched_on(at))) * (mean - short)
    return (ins.length_mm + gap) * at.belt_per_feed


def _sooner(at: FeederAtSpeed, travel: float) -> float:
    """Return the share of cycles that follow the one before within a belt travel (mm)."""
    if at.speed_mm_s * cycle_time(at) >= travel:
        return 0.0
    return at.carriers.arrival.share_below(travel)


@term
def strays(at: FeederAtSpeed) -> float:
    """Share of inserts that go past unseen: missed, merged, too short, or there too early."""
    return 1.0 - (1.0 - unseen(at)) * (1.0 - merged_inserts(at)) * (1.0 - _short(at))


@term
def unseen(at: FeederAtSpeed) -> float:
    """Return the share of inserts that their eye misses, or that pass it before the search."""
    edge = Distribution(-at.inserts.length_mm, at.eye.edge_sd_mm)
    next_nose = stage_spread(at).plus(gaps(at).times(-1.0)).plus(edge)
    early = 1.0 - next_nose.share_below(0.0)
    return 1.0 - (1.0 - at.eye.missed) * (1.0 - early)
