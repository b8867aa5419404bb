"""How late a clutch acts if the program learns of its edge or mark too late.

A latched edge becomes known at the next scan tick, a time uniform on 0…scan after its capture.
From a scan tick to a motion tick it takes a whole number of steps γ, the greatest common divisor
of scan and motion cycle, all equally likely. From a point x before the scan tick ⌊x/γ⌋ steps have
passed, a fraction γ/cycle of them motion ticks, so the clutch acts γ·⌊x/γ⌋ later on average than
if the edge had been known in time. For a scan S and a point u behind the capture that is

    ∫ γ·⌊x/γ⌋ dx / S   over x from max(0, −u) to S − u,

and x in place of γ·⌊x/γ⌋ if the program or the motion has no cycle (derived in feedsim/MODEL.md,
section 13, fact 7). A scanned edge is known at its capture; it is late by −u if u is below 0.

Late or not, the clutch acts at the first motion tick that comes neither before the point nor before
the scan tick at which the edge is known; that tick comes 0, γ, 2γ … after the scan tick.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import fmean

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Eye
from feedsim.probability.distribution import Distribution
from feedsim.settings.acts import free_half_widths, is_locked, step_travel
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term

_PHASES = 16
_STEPS, _BINS, _FINE = 16, 16, 64
_HARDLY = 0.2
_ENDS = np.arange(_BINS + 1.0)
_FRACTIONS = tuple((k + 0.5) / _PHASES for k in range(_PHASES))
"""Fractions of a count over which the place of a point in whole counts is averaged."""


@term
def late_opening_mean(at: FeederAtSpeed) -> float:
    """Return the mean lateness (mm, counted travel) of openings known too late."""
    return late_opening_behind(at, at.opening_travel_mm)


def late_opening_behind(at: FeederAtSpeed, travel: float) -> float:
    """Return the same for another U (``travel``, counted and not rounded)."""
    return _late_mean(at, at.eye, travel)


@term
def late_engage_mean(at: FeederAtSpeed) -> float:
    """Return the mean lateness (mm, counted travel) of closings known too late.

    Covers those still within reach. If late marks are skipped, the others no longer meet the ticks
    at a uniform phase, and so come later or earlier than settings assume.
    """
    travel, eye = at.engage_travel_mm, at.carrier_eye
    if at.controller.late_mark_engages:
        room = max(0.0, at.carriers.reach_mm(at.settings))
        return _late_mean(at, eye, travel, most=room)
    wait = _wait(at, eye)
    if travel - at.count_mm >= wait or is_locked(eye, at.controller):
        return 0.0
    # late: a count or more beyond its point
    points = _points(travel, at.count_mm)
    if points[-1] + at.count_mm >= wait or points[0] + at.count_mm <= 0.0:
        return 0.0
    known = [max(0.0, min(wait, point + at.count_mm)) for point in points]
    usual, step = fmean(points), step_travel(at)
    behind = fmean(
        [
            _to_a_step(point, step) - _to_a_step(point - w, step) + w * (point - usual)
            for point, w in zip(points, known, strict=True)
        ]
    )
    return behind / fmean(known) - 0.5 * step


@term
def late_opening(at: FeederAtSpeed) -> Distribution:
    """Return the lateness (mm, counted travel) of openings known too late.

    A fixed part, and rarely a uniform one: exact except for the steps γ, whose mean it keeps. For
    a scanned eye with locked acts, their steps include it.
    """
    mean = late_opening_mean(at)
    if mean == 0.0:
        return Distribution()
    wait = _wait(at, at.eye)
    if at.opening_travel_mm < 0.0 or wait == 0.0:
        return Distribution(mean=mean - 0.5 * wait, rarely=((1.0, wait),) if wait else ())
    # uniform up to ``longest`` in longest/wait of all cycles
    longest = min(wait, math.sqrt(2.0 * wait * mean))
    return Distribution(rarely=((longest / wait, longest),))


@term
def opening_acts_some_late(at: FeederAtSpeed) -> Distribution | None:
    """Return when openings act behind their edges' captures (mm, counted travel, less its mean).

    None if none is late, or if scans have no part in it. One part of 16 values, each spread evenly
    over the step to the next; steps γ are taken as they are if a motion cycle has at most 16 of
    them, else as 16 (derived at the head of this module).
    """
    wait, cycle = _wait(at, at.eye), at.counted_mm_s * at.controller.motion_cycle_s
    if wait == 0.0 or late_opening_mean(at) == 0.0:
        return None
    points = np.array(_points(at.opening_travel_mm, at.count_mm))
    first, last, later = _scanned(points, wait, cycle=cycle, step=step_travel(at))
    low, high = float((first + later).min()), float((last + later).max())
    width = (high - low) / _BINS
    # of each piece, the part of its scan ticks whose act comes before an end (faster than clip)
    ends = (low + width * _ENDS) - later[:, None]
    before = np.minimum(np.maximum(ends, first[:, None]), last[:, None]).sum(axis=0)
    shares = (before[1:] - before[:-1]) / float((last - first).sum())
    places = width * (_ENDS[:-1] - float(shares @ _ENDS[:-1]))
    values = dict(zip(places.tolist(), shares.tolist(), strict=True))
    return Distribution(half_widths=(0.5 * width,), choices=(values,))


@term
def openings_not_in_time(at: FeederAtSpeed) -> Distribution | None:
    """Return the same with its mean, if it matters that an opening waits for its scan or its point.

    None as well where motion cycles are below a 16th of a scan, or where lateness spreads by less
    than a fifth of a count and a tick at any phase (2 % of all): those have sharper ends.
    """
    control = at.controller
    if _STEPS * control.motion_cycle_s < control.scan_s or late_opening_mean(at) == 0.0:
        return None
    in_time = math.hypot(*free_half_widths(at)) / (math.sqrt(3.0) * at.scale)
    if late_opening(at).sd < _HARDLY * in_time:
        return None
    acts = opening_acts_some_late(at)
    return None if acts is None else acts.shifted(late_opening_mean(at))


def _scanned(
    points: Floats, wait: float, *, cycle: float, step: float
) -> tuple[Floats, Floats, Floats]:
    """Return pieces of scan ticks, from and to (mm behind a capture), and how much later one acts.

    The act of a scan tick x is x + f, f the first motion tick behind it, or whole motion cycles
    more where that is before the point. Pieces of all points and f, those without length left out.
    A motion cycle of less than a 64th of the wait is taken as that.
    """
    if cycle < wait / _FINE:
        cycle = step = wait / _FINE
    many = round(cycle / step) if step > 0.0 else _STEPS + 1
    behind = step * np.arange(many)
    if many > _STEPS:
        behind = (cycle / _STEPS) * (np.arange(_STEPS) + 0.5)
    most = max(0, math.ceil(float(points.max()) / cycle))
    cycles = np.arange(most + 1)[:, None, None]
    due = points[:, None] - behind - cycles * cycle
    first = np.minimum(np.maximum(due, 0.0), wait)
    last = np.minimum(np.maximum(due + cycle, 0.0), wait)
    last[0] = wait
    later = (behind + cycles * cycle) + np.zeros_like(first)
    some = last > first
    return first[some], last[some], later[some]


def _late_mean(at: FeederAtSpeed, eye: Eye, travel: float, *, most: float = math.inf) -> float:
    """Return a point's mean lateness behind an eye (mm, counted), of acts up to ``most`` late."""
    if is_locked(eye, at.controller):
        return 0.0  # the steps of its act begin at the scan tick, late or not
    wait = _wait(at, eye)
    if travel - 0.5 * at.count_mm >= wait:
        return 0.0
    return _late_behind(travel, wait, step=step_travel(at), count_mm=at.count_mm, most=most)


@lru_cache(maxsize=64)
def _late_behind(travel: float, wait: float, *, step: float, count_mm: float, most: float) -> float:
    """Return the same for a point that may be behind the scan tick (lengths in mm, counted).

    A solver and the forms of what it has solved ask for the same ones.
    """
    points = _points(travel, count_mm)
    if wait == 0.0:
        return fmean(max(0.0, -point) for point in points)
    # of lists, since fmean counts what it cannot ask how many there are
    late = fmean([_late_from(point, wait, step=step, most=most) for point in points])
    counted = wait
    if most < math.inf:
        counted = fmean([max(0.0, min(wait, most + point)) for point in points])
    return late / counted if counted > 0.0 else 0.0


def _late_from(point: float, wait: float, *, step: float, most: float) -> float:
    """Return the lateness, summed over all edges within a wait (mm²), for a point behind them."""
    if point >= wait:
        return 0.0
    late = _whole_steps(min(most, wait - point), step)
    return late - _whole_steps(min(most, -point), step) if point < 0.0 else late


def _wait(at: FeederAtSpeed, eye: Eye) -> float:
    """Return the longest travel (mm, counted) from a capture to its scan tick."""
    return 0.0 if eye.scanned else at.counted_mm_s * at.controller.scan_s


def _points(travel: float, count_mm: float) -> list[float]:
    """Return the distances of a point from its capture (mm), for fractions of a count there."""
    if count_mm == 0.0:
        return [travel]
    counts = round(travel / count_mm)
    return [(counts - fraction) * count_mm for fraction in _FRACTIONS]


def _whole_steps(upper: float, step: float) -> float:
    """Return ∫ γ·⌊x/γ⌋ dx over x from 0 to ``upper`` (mm²), at least 0; without steps ∫ x dx."""
    if upper <= 0.0:
        return 0.0
    if step == 0.0:
        return 0.5 * upper * upper
    many = math.floor(upper / step)
    return step * (0.5 * step * many * (many - 1) + many * (upper - many * step))


def _to_a_step(upper: float, step: float) -> float:
    """Return ∫ (γ·⌈x/γ⌉ − x) dx over x from 0 to ``upper`` (mm²); of −x below 0."""
    if upper > 0.0 and step == 0.0:
        return 0.0
    stepped = _whole_steps(upper, step) + step * upper if upper > 0.0 else 0.0
    return stepped - 0.5 * upper * upper
