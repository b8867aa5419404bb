"""Waits of a machine's carriers for its feeder, if ``not_ready`` is "engage"."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from feedsim.criteria import Criteria
from feedsim.probability.distribution_parts import merged
from feedsim.settings.acts import free_half_widths
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.followed import Followed, Stream, follow
from feedsim.settings.kept import mark_to_act
from feedsim.settings.late_acts import opening_acts_some_late
from feedsim.settings.marks import may_be_full, needed_gap, share_merged
from feedsim.settings.mechanisms_unseen import searched_on, searches
from feedsim.settings.predict import corrected_later, cycle_time, until_next_tick
from feedsim.settings.queues import Queue, Waits
from feedsim.settings.seen import NONE_MERGE
from feedsim.settings.sources import sd_without_slips
from feedsim.settings.waits import mean_if_longer, waits_of

_MOST_AGAIN = 12
_FEW = 0.02
_FEW_LOST = 1e-3
_FURTHER = 8


@term
def waiting(at: FeederAtSpeed, allowed: Criteria, *, closely: bool = False) -> Waits:
    """Return the waits (derived in feedsim/MODEL.md, section 13, facts 11 and 12).

    A service lasts from an engage tick to the next possible one: the cycle, with the part from the
    opening tick on rounded up to whole motion cycles. A misfeed or a stray adds an insert pitch.
    Pitches without a carrier, or whose mark the eye misses, bring no mark. Edges, ticks and counts
    add noise to each comparison that is not passed on. Marks that merge, find no place in the
    memory or come from a record are followed one by one; else their law is solved for, ``closely``
    as :func:`feedsim.settings.waits.waits_of` has it.
    """
    if share_merged(at) > _FEW_LOST or may_be_full(at):
        seen = followed(at, allowed)
        if seen.merged + seen.full > _FEW_LOST * seen.carriers:
            return seen.waits
    return waiting_alone(at, allowed, closely=closely)


@term
def waiting_alone(
    at: FeederAtSpeed,
    allowed: Criteria,
    *,
    found: bool = False,
    closely: bool = False,
) -> Waits:
    """Return the same as :func:`waiting`, as if every mark that the eye sees were remembered.

    ``found``: every insert is found at once, without misfeeds and strays.
    """
    if at.carriers.arrival.in_order:
        return followed(at, allowed, found=found, memory=False, merging=False).waits
    return waits_of(_queue(at, allowed, found=found), closely=closely)


def waiting_longer(at: FeederAtSpeed, allowed: Criteria, by_mm: float) -> float:
    """Return by how much longer waits are on average (mm) if each service is, drawn by a law."""
    queue = _queue(at, allowed, found=False)
    return mean_if_longer(queue, by_mm) - waits_of(queue).mean_mm


@term
def followed(
    at: FeederAtSpeed,
    allowed: Criteria,
    *,
    found: bool = False,
    memory: bool = True,
    merging: bool = True,
) -> Followed:
    """Return the outcome of marks followed one by one.

    ``found``: every insert is found at once. ``memory``, ``merging``: whether the memory is limited
    and carriers merge.
    """
    eye, kept, queue = at.carrier_eye, mark_to_act(at), _queue(at, allowed, found=found)
    if queue.corrected_mm:
        # one normal part cannot stand for what corrects points as well
        queue = replace(queue, noise_sd_mm=sd_without_slips(at), further=((0.0, 1.0),))
    return follow(
        Stream(
            at.carriers,
            queue,
            seen=1.0 - eye.missed,
            waits=at.controller.not_ready_engages,
            places=at.controller.mark_memory if memory else 0,
            kept_mm=kept.average - corrected_later(at),
            kept_sd_mm=kept.sd,
            gap=needed_gap(at) if merging else NONE_MERGE,
            edge_sd_mm=eye.edge_sd_mm,
        )
    )


@term
def _queue(at: FeederAtSpeed, allowed: Criteria, *, found: bool) -> Queue:
    c, ins = at.carriers, at.inserts
    per_feed = at.belt_per_feed
    whole = at.speed_mm_s * (cycle_time(at) + until_next_tick(at))
    noise, further = _noise(at)
    spread = math.hypot(c.arrival.spread_mm, per_feed * ins.gap_sd_mm, noise)
    # lateness counts from the point, which lies at a count, not from the tick after it: a lateness
    # of the most whole counts that fit is within reach until the next count
    room, count = c.reach_mm(at.settings), at.count_mm
    if count > 0.0:
        room = count * (math.floor(room / count) + 1.0)
    room -= 0.5 * at.speed_mm_s * at.controller.motion_cycle_s
    return Queue(
        arrival=c.arrival,
        come=at.seen_share,
        service_mm=whole - per_feed * ins.gap_mm,
        gap_mm=per_feed * ins.gap_mm,
        gap_sd_mm=per_feed * ins.gap_sd_mm,
        least_gap_mm=per_feed * ins.min_gap_mm,
        double=ins.double,
        double_mm=per_feed * ins.length_mm,
        again=tuple(searches(at, () if found else searched_on(at), most=_MOST_AGAIN).items()),
        noise_sd_mm=noise,
        room_mm=max(0.0, room),
        fine_mm=max(_FEW, 0.25 * min(allowed.placement_tolerance_mm, spread)),
        corrected_mm=corrected_later(at),
        further=further,
    )


def _noise(at: FeederAtSpeed) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Return the normal noise of a carrier's point (mm), and how far on its insert is staged.

    Late openings stage further on as their law has it, in place of a count and a tick of those in
    time.
    """
    acts, noise = opening_acts_some_late(at), sd_without_slips(at)
    if acts is None:
        return noise, ((0.0, 1.0),)
    in_time = math.hypot(*free_half_widths(at)) / math.sqrt(3.0)
    (values,) = acts.choices
    places, shares = at.scale * np.array([*values]), np.array([*values.values()])
    further = tuple(merged(places, shares, most=_FURTHER).items())
    return math.sqrt(max(0.0, noise**2 - in_time**2)), further
