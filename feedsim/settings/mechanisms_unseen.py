"""Inserts that go past their eye unseen, in closed form (feedsim/MODEL.md, 13, facts 11 and 13).

Independent causes a and b together: 1 − (1 − a)·(1 − b).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from feedsim.criteria import Criteria
from feedsim.machine import Inserts
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import normal_nodes
from feedsim.probability.normal import positive_mean, share_below
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.levels import filters, gap_lasts, gap_too_short, too_short
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.nominal_cycle import mean_speed, nominal_cycle
from feedsim.settings.predict import cycle_time
from feedsim.settings.right import right_settings
from feedsim.settings.spreads import gaps, next_nose, slips, staged_nose

_RARE, _NEARLY_ALL, _MOST_AGAIN = 1e-7, 0.999, 60
_SELDOM, _GAP_NODES = 1e-6, 5


def insert_gap(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that merge with the one before at the insert eye, and stray."""
    return merged_inserts(at)


@term
def merged_inserts(at: FeederAtSpeed) -> float:
    """Return the share of :func:`insert_gap` (derived in feedsim/MODEL.md, section 13, fact 13).

    If the tail of a staged insert still covers the eye, the insert slips back before the tail has
    passed, and the gap shrinks by the slip. If the tail has passed before the insert rests, the
    output can drop until the next nose comes, a cycle after the last one: a carrier pitch, less the
    travel of an insert's length.
    """
    ins, eye = at.inserts, at.eye
    covered = staged_nose(at).share_below(ins.length_mm)
    merging = _merging(at, slips(at).times(-1.0), passed=0) if covered else 0.0
    if covered == 1.0:
        return merging
    off_s = eye.off_response_s
    if filters(eye):
        off_s += gap_lasts(eye, at.controller).average
    passing = at.speed_mm_s * (off_s + ins.length_mm / at.feed_mm_s)
    return covered * merging + (1.0 - covered) * _sooner(at, passing)


def _merging(at: FeederAtSpeed, shift: Distribution, *, passed: int) -> float:
    """Return the share of gaps, lengthened by ``shift``, that end before the output drops.

    ``passed``: how many inserts went past unseen before. A feed in its ramp-in, or behind its
    command, needs longer for a gap.
    """
    eye = at.eye
    if eye.off_response_s == 0.0 and eye.edge_sd_mm == 0.0 and not filters(eye):
        return 0.0
    more_s = gap_lasts(eye, at.controller).average if filters(eye) else 0.0
    feed = _speed_over_gap(at, eye.off_response_s + more_s, passed=passed)
    return gap_too_short(eye, at.controller, gaps(at).plus(shift), speed_mm_s=feed)


def _speed_over_gap(at: FeederAtSpeed, lasts_s: float, *, passed: int) -> float:
    """Return the mean feed speed (mm/s) for a time from when an insert's tail passes the eye."""
    ins = at.inserts
    way = ins.length_mm + clipped_slip_mean(ins) - at.settings.stage_position_mm
    way += passed * ins.pitch_mm
    return mean_speed(at, way, lasts_s) if way > 0.0 else at.feed_mm_s


def again_unseen(at: FeederAtSpeed) -> float:
    """Return the share of inserts unseen behind an unseen one, whose gap no slip changes.

    1 − (1 − missed)·(1 − merged)·(1 − short).
    """
    merged = _merging(at, Distribution(), passed=1)
    return 1.0 - (1.0 - at.eye.missed) * (1.0 - merged) * (1.0 - _short(at))


def insert_short(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of inserts that pass their eye, at feed speed, too fast for filter or scan."""
    return _short(at)


@term
def _short(at: FeederAtSpeed) -> float:
    length = at.inserts.length_mm
    return too_short(at.eye, at.controller, length_mm=length, speed_mm_s=at.feed_mm_s)


class SearchedOn(NamedTuple):
    """One reason for a search to go on past its first insert.

    ``share``: of all searches. ``behind``: probability of going on once more, each time.
    ``longer_mm``: extra belt travel of each time. ``found_mm``: that of the gap it ends with.
    """

    share: float
    behind: float
    longer_mm: float
    found_mm: float = 0.0


@term
def searched_on(at: FeederAtSpeed) -> tuple[SearchedOn, SearchedOn, SearchedOn]:
    """Return why searches go on: a misfeed, an unseen insert, a merged one.

    After a misfeed the gap is long and nothing merges; after a stray the next insert may merge
    again. Merged inserts have short gaps, and the others long ones.
    """
    ins = at.inserts
    misfeed = ins.misfeed
    stray = (1.0 - misfeed) * strays(at)
    merged = stray - (1.0 - misfeed) * (1.0 - (1.0 - unseen(at)) * (1.0 - _short(at)))
    behind = 1.0 - (1.0 - misfeed) * (1.0 - again_unseen(at))
    pitch = insert_pitch(at)
    merge = merged_inserts(at)
    mean = gaps(at).average
    shorter = (mean - _shortest_gaps(ins, merge, mean)) * at.belt_per_feed
    found = shorter * merge / (1.0 - merge) if merge < 1.0 else 0.0
    return (
        SearchedOn(misfeed, 1.0 - at.feeder.found_share, pitch),
        SearchedOn(stray - merged, behind, pitch),
        SearchedOn(merged, behind, pitch - shorter, found),
    )


def insert_pitch(at: FeederAtSpeed) -> float:
    """Return the mean pitch of inserts as belt travel (mm): (length + E[gap])·(1+ε)/g."""
    return (at.inserts.length_mm + gaps(at).average) * at.belt_per_feed


def searches(
    at: FeederAtSpeed, on: Sequence[SearchedOn], *, most: int = _MOST_AGAIN
) -> dict[float, float]:
    """Return the extra belt travels of searches (mm) with their shares.

    A share p that goes on with probability b passes j inserts with p·b^(j − 1)·(1 − b) (geometric).
    Each of j gaps that did not merge is a draw of its own: the travel has √j standard deviations of
    a gap, on a few nodes. ``most``: largest number of inserts that go past; it includes the share
    of more.
    """
    pitch = insert_pitch(at)
    # inserts that do not merge have the longer gaps
    merged = sum(why.share for why in on if why.longer_mm < pitch)
    shorter = sum(why.share * (pitch - why.longer_mm) for why in on)
    found = {shorter / (1.0 - merged) if merged < 1.0 else 0.0: 1.0 - sum(why.share for why in on)}
    for why in on:
        left, longer = why.share, why.longer_mm
        for passed in range(1, most + 1):
            goes_on = left * why.behind if passed < most else 0.0
            ends = left - goes_on if goes_on > _RARE else left
            if ends > 0.0:
                takes = longer + why.found_mm
                gaps_in_it = passed if why.longer_mm >= pitch and ends > _SELDOM else 0
                for off, part in _gaps_spread(at, gaps_in_it):
                    found[takes + off] = found.get(takes + off, 0.0) + ends * part
            left, longer = left - ends, longer + why.longer_mm
    return found


def _gaps_spread(at: FeederAtSpeed, many: int) -> Iterator[tuple[float, float]]:
    """Yield by how much so many gaps differ from their mean, as belt travel (mm), with shares."""
    sd = math.sqrt(many) * gaps(at).sd * at.belt_per_feed
    if sd == 0.0:
        yield 0.0, 1.0
        return
    for node, share in zip(*normal_nodes(_GAP_NODES), strict=True):
        yield float(sd * node), float(share)


def _shortest_gaps(inserts: Inserts, share: float, mean: float) -> float:
    """Return the mean of the shortest gaps (mm) that make up a share of all, of a mean.

    With t the longest of them, t − E[max(0, t − X)]/P(X ≤ t) (elementary). X is normal, clipped at
    c: E[max(0, t − X)] is that of the normal law less E[max(0, c − X)].
    """
    if share < _RARE or inserts.gap_sd_mm == 0.0:
        return mean
    from scipy.special import ndtri

    least, m, sd = inserts.min_gap_mm, inserts.gap_mm, inserts.gap_sd_mm
    longest = max(least, m + sd * float(ndtri(min(share, _NEARLY_ALL))))
    less = positive_mean(longest - m, sd) - positive_mean(least - m, sd)
    return longest - less / share_below((longest - m) / sd)


def _sooner(at: FeederAtSpeed, travel: float) -> float:
    """Return the share of cycles that follow the one before within a belt travel (mm)."""
    if at.speed_mm_s * cycle_time(at) >= travel:
        return 0.0
    return at.carriers.arrival.share_below(travel)


@term
def strays(at: FeederAtSpeed) -> float:
    """Share of inserts that go past unseen: missed, merged, too short, or too early.

    1 − (1 − unseen)·(1 − merged)·(1 − short).
    """
    return 1.0 - (1.0 - unseen(at)) * (1.0 - merged_inserts(at)) * (1.0 - _short(at))


@term
def unseen(at: FeederAtSpeed) -> float:
    """Return the share of inserts that their eye misses or that pass it before the search.

    1 − (1 − missed)·(1 − early).
    """
    return 1.0 - (1.0 - at.eye.missed) * (1.0 - _early(at))


def _early(at: FeederAtSpeed) -> float:
    """Return the share of inserts that pass their eye before the search.

    Where ramp or lag are not over, a search that goes on stages further on, or less far, and so
    more or fewer of the next ones pass early. With q of the searches going on behind a usual one
    and r behind one that went on, s = q/(1 − r + q) of all do (Markov chains, any textbook).
    """
    usual = early_staged(at, 0.0)
    further = staged_further(at)
    after = early_staged(at, further) if further else usual
    others = at.feeder.found_share
    others *= (1.0 - merged_inserts(at)) * (1.0 - _short(at))
    q, r = (1.0 - others * (1.0 - early) for early in (usual, after))
    if q < _RARE or after == usual:
        return usual
    return usual + q / (1.0 - r + q) * (after - usual)


def early_staged(at: FeederAtSpeed, further_mm: float) -> float:
    """Return the share of inserts that pass before the search if the feed rests further on."""
    edge = next_nose(at).plus(Distribution(further_mm, at.eye.edge_sd_mm))
    return 1.0 - edge.share_below(0.0)


def searched_longer(at: FeederAtSpeed) -> FeederAtSpeed:
    """Return a feeder whose every search passes one insert."""
    ins = at.inserts
    longer = replace(ins, gap_mm=ins.gap_mm + ins.pitch_mm)
    return FeederAtSpeed(at.machine, replace(at.feeder, inserts=longer), at.speed_mm_s)


@term
def staged_further(at: FeederAtSpeed) -> float:
    """Return how much further on (mm) inserts rest behind a search that went on.

    The settings open a fixed travel behind the edge, right for the nominal cycle: g·v_c·Δt, Δt by
    how much sooner than usual the opening follows the edge there (fact 13).
    """
    if not right_settings(at).unsettled:
        return 0.0
    usual, searched = nominal_cycle(at), nominal_cycle(searched_longer(at))
    if usual is None or searched is None:
        return 0.0
    sooner_s = usual.opening_s - usual.edge_s - (searched.opening_s - searched.edge_s)
    return at.feed_mm_s * sooner_s
