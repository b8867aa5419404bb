"""Stage position and busy travel, as whole distributions."""

from __future__ import annotations

import math

from feedsim.machine import Eye
from feedsim.probability.distribution import Distribution, clipped_at
from feedsim.settings.acts import free_half_widths, is_locked
from feedsim.settings.feeder_at_speed import FeederAtSpeed, lasting_term, term
from feedsim.settings.late_acts import (
    late_opening,
    opening_acts_some_late,
    openings_not_in_time,
)
from feedsim.settings.predict import (
    corrected_later,
    cycle_time,
    nose_at_opening,
    opening_acts,
    settings_off,
    until_next_tick,
)


def captures(at: FeederAtSpeed, eye: Eye) -> list[float]:
    """Return the half-widths (mm of belt travel) of one side's uniform parts, edge to capture.

    v·jitter, and v·scan/2 of a scanned eye (feedsim/MODEL.md, section 13, fact 4).
    """
    widths = [at.speed_mm_s * eye.response_jitter_s]
    return [*widths, 0.5 * at.speed_mm_s * at.controller.scan_s] if eye.scanned else widths


@lasting_term
def slips(at: FeederAtSpeed) -> Distribution:
    """Return an insert's slip (mm), as drawn: normal, clipped at 0."""
    return clipped_at(0.0, mean=at.inserts.slip_mm, sd=at.inserts.slip_sd_mm)


@term
def stage_spread(at: FeederAtSpeed) -> Distribution:
    """Return where the nose of a staged insert rests (mm from its eye), without late openings.

    Lateness by a belt travel x stages g·x/(1 + ε) further on, ε the encoder's scale error: the feed
    follows the counted travel (feedsim/MODEL.md, section 6). An edge error counts one to one.
    """
    return _seen(at).plus(opening_acts(at).times(at.settings.speed_ratio / at.scale))


def _seen(at: FeederAtSpeed) -> Distribution:
    """Return the same if each opening acted as settings assume."""
    g = at.settings.speed_ratio
    counted = 1.0 / at.scale
    return Distribution(
        mean=at.settings.stage_position_mm + settings_off(at).stage_mm,
        normal_sd=at.eye.edge_sd_mm,
        half_widths=tuple(counted * g * half for half in captures(at, at.eye)),
    )


@term
def staged_nose(at: FeederAtSpeed) -> Distribution:
    """Return where the nose of a staged insert rests (mm from its eye), late openings included."""
    acts = openings_not_in_time(at)
    if acts is None:
        return stage_spread(at).plus(late_opening(at).times(at.settings.speed_ratio))
    g = at.settings.speed_ratio
    return _seen(at).plus(acts.times(g)).shifted(opening_acts(at).average * g / at.scale)


@term
def next_nose(at: FeederAtSpeed) -> Distribution:
    """Return where the nose behind a staged insert rests (mm from its eye; above 0: past it)."""
    return staged_nose(at).plus(gaps(at).times(-1.0)).shifted(-at.inserts.length_mm)


def tail_at_opening(at: FeederAtSpeed) -> Distribution:
    """Return the placed insert's tail (mm from the insert eye) when the clutch opens."""
    return _placed_at_opening(at, 0.0)


@term
def placed_nose_at_opening(at: FeederAtSpeed) -> Distribution:
    """Return where the placed insert's nose would be then, had it not been laid down."""
    return _placed_at_opening(at, at.inserts.length_mm)


def _placed_at_opening(at: FeederAtSpeed, ahead_mm: float) -> Distribution:
    """Return a point of the placed insert, a distance and a gap ahead of the next one's nose.

    Late openings push it further on, like the next one.
    """
    staged = stage_spread(at).mean
    nose = nose_at_opening(at, staged)
    there = staged_nose(at).shifted(nose + ahead_mm - staged)
    return there.plus(gaps(at), slips(at).times(-1.0))


@lasting_term
def gaps(at: FeederAtSpeed) -> Distribution:
    """Return the gap between two inserts (mm), as drawn: normal, clipped at its minimum."""
    ins = at.inserts
    return clipped_at(ins.min_gap_mm, mean=ins.gap_mm, sd=ins.gap_sd_mm)


def _half_widths(at: FeederAtSpeed, eye: Eye, *, tick: bool = True) -> list[float]:
    """Half-widths (mm of belt travel) of one side's uniform parts, from an edge to the act.

    Without the tick of a scanned eye if it is locked to the scan.
    """
    locked = is_locked(eye, at.controller)
    widths = captures(at, eye)
    if locked:
        return widths
    count, wait = free_half_widths(at)
    return [*widths, count, wait] if tick else [*widths, count]


@term
def busy_travel(at: FeederAtSpeed) -> Distribution:
    """Return the belt travel (mm) from a carrier's engage tick to the earliest next point.

    One feed cycle moves the feed by one insert pitch plus the stage errors before and after;
    engaging and opening each wait for a tick (:func:`_openings`); and since engage ticks and
    readiness share one grid, the time from opening to readiness is rounded up, less half a cycle
    (feedsim/MODEL.md, section 13, fact 6). Without an insert staged points are not corrected, so
    may come earlier than the one before by as much as it was.
    """
    per_feed = at.belt_per_feed
    busy = cycle_time(at) + (until_next_tick(at) - 0.5 * at.controller.motion_cycle_s)
    before, after = (_half_widths(at, at.carrier_eye, tick=tick) for tick in (True, False))
    eyes = (at.carrier_eye.edge_sd_mm, at.eye.edge_sd_mm * per_feed)
    timing = Distribution(
        mean=at.speed_mm_s * busy - at.inserts.gap_mm * per_feed + corrected_later(at),
        normal_sd=math.hypot(*(math.sqrt(2.0) * sd for sd in eyes)),
        half_widths=(*before, *after),
        rarely=((at.inserts.double, at.inserts.length_mm * per_feed),),
    )
    return timing.plus(gaps(at).times(per_feed), *_openings(at))


def _openings(at: FeederAtSpeed) -> tuple[Distribution, Distribution]:
    """Return what the opening before a feed cycle and its own spread (mm of belt travel).

    One that acts later makes its own cycle longer, and the next one, whose way is shorter, as much
    shorter. With stage correction it makes that one begin as much later, counted from the point
    without correction. Late openings behind a scanned carrier eye are left out: closings wait for
    the same scans (:mod:`feedsim.settings.whole_scans`).
    """
    acts = None if at.carrier_eye.scanned else opening_acts_some_late(at)
    if acts is None:
        each = Distribution(half_widths=tuple(_half_widths(at, at.eye)))
        return each, each
    seen = Distribution(half_widths=tuple(captures(at, at.eye)))
    own, before = seen.plus(acts.times(at.scale)), seen.plus(acts.times(-at.scale))
    return seen if at.settings.stage_correction else before, own
