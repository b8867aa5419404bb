"""How far the belt goes on while the program keeps a mark (feedsim/MODEL.md, section 13, fact 12).

A mark that becomes known at a scan tick finds the place of the one before taken if that is acted
on at this tick or later: at one instant a mark becomes known before another is acted on. Each law
here is the travel that the next edge must be ahead of the edge before to find it free.

Latched: the point lies X behind the edge before, anywhere between ticks. It is acted on at this
scan tick or later if it lies behind the last motion tick before, which is γ, 2γ … a motion cycle
earlier, equally likely: X + that tick − the scan's wait, uniform on 0…scan.

Scanned: the mark is stored at a scan tick and acted on A later. The next one's scan tick comes m
scans behind it, P + w' − w = m·scan, with P from edge to edge and w, w' the waits for scan ticks,
uniform on 0…scan, so m has the share max(0, 1 − |m − P/scan|). Summed over m up to M = ⌊A/scan⌋,
that is clip(M + 1 − P/scan, 0, 1): the next mark finds the place taken if P is below
scan·(M + ½ + U), U uniform on −½…½. If locked, A is a whole number of steps γ with the shares of
:mod:`feedsim.settings.acts`.

With stage correction the point moves with the opening's act, and is rounded afterwards.

Approximations, with their sizes in fact 12: w is as uniform for marks that find a place as for all,
and the act's motion tick does not keep step with the opening's.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.arrays import Floats
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import merged
from feedsim.settings.acts import later_ticks, locked_step, rounded, side_acts, step_travel
from feedsim.settings.corrected_acts import reached_steps
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.late_acts import late_opening
from feedsim.settings.predict import opened_off
from feedsim.settings.spreads import captures

_FAR = 9.0  # standard deviations beyond which a share is negligible
_SAME = 1e-9
_FINE = 16.0
"""Scans in a standard deviation from which on acts are not counted in whole scans."""
_MOST_IN_A_COUNT, _MOST_POINTS, _MOST_VALUES = 200, 1000, 64


@term
def mark_to_act(at: FeederAtSpeed) -> Distribution:
    """Return the belt travel (mm) by which the next edge must be behind, not to find a mark kept.

    Includes edges and jitter of both, so that it compares with a pitch.
    """
    eye, v, control = at.carrier_eye, at.speed_mm_s, at.controller
    jitter = captures(at, eye)[:1]
    edges = Distribution(0.0, math.sqrt(2.0) * eye.edge_sd_mm, (*jitter, *jitter))
    scan, cycle = (v * s for s in (control.scan_s, control.motion_cycle_s))
    if eye.scanned:
        return _acts(at).plus(edges, Distribution(half_widths=(0.5 * scan,)))
    step = v * locked_step(control)
    tick = later_ticks(at, v) if step else Distribution(half_widths=(0.5 * cycle,))
    wait = Distribution(0.5 * (cycle + step - scan), half_widths=(0.5 * scan,))
    return _point(at).plus(edges, tick, wait)


def _point(at: FeederAtSpeed) -> Distribution:
    """Return the belt travel (mm) from capture to point, the capture's part of a count included."""
    half = 0.5 * at.scale * at.count_mm
    count = Distribution(-half, half_widths=(half,))
    points = _points(at)
    if points is None:
        return count.plus(_corrected(at).times(at.scale), Distribution(half_widths=(half,)))
    return count.plus(_taking(at.scale * points[0], points[1]))


def _taking(places: Floats, shares: Floats) -> Distribution:
    return Distribution(choices=(merged(places, shares, most=_MOST_VALUES),))


@term
def _corrected(at: FeederAtSpeed) -> Distribution:
    """Return E with stage correction (mm of counted travel), not rounded."""
    acts = side_acts(at, at.eye, at.opening_travel_mm).times(1.0 / at.scale)
    return acts.plus(late_opening(at)).shifted(at.engage_travel_mm + opened_off(at))


def _acts(at: FeederAtSpeed) -> Distribution:
    """Return scan·(⌊A/scan⌋ + ½), A the belt travel (mm) from a scan tick to the act."""
    scan, step = (at.speed_mm_s * s for s in (at.controller.scan_s, locked_step(at.controller)))
    tick = 0.5 * at.speed_mm_s * at.controller.motion_cycle_s
    acts = _point(at).plus(Distribution(tick, half_widths=(tick,)))
    if scan * _FINE <= acts.sd:
        return acts
    if 0.0 < at.count_mm <= _MOST_IN_A_COUNT * step or at.count_mm == 0.0 < step:
        points = _points(at)
        if points is not None:
            return _whole_scans(*_steps(at, *points), scan, each=round(scan / step))
    low, high = (acts.average + side * _FAR * acts.sd for side in (-1.0, 1.0))
    first = max(0, math.floor(low / scan))
    ends = scan * np.arange(first + 1.0, math.ceil(high / scan) + 1.0)
    below = np.concatenate(([0.0], acts.below(*ends.tolist()), [1.0]))
    return _whole_scans(first, np.diff(np.maximum.accumulate(below)), scan, each=1)


def _steps(at: FeederAtSpeed, points: Floats, chances: Floats) -> tuple[int, Floats]:
    """Return the fewest steps γ from a scan tick to the act, and the shares of as many and more."""
    later = round(at.controller.motion_cycle_s / locked_step(at.controller))
    reached, shares = reached_steps(points, step_travel(at), count_mm=at.count_mm)
    fewest = int(reached.min())
    more = reached.astype(np.intp).ravel() - fewest
    first = np.bincount(more, weights=(chances[:, None] * shares).ravel())
    return fewest, np.convolve(first, np.full(later, 1.0 / later))


def _whole_scans(first: int, shares: Floats, scan: float, *, each: int) -> Distribution:
    """Return scan·(M + ½), M the whole scans in ``first`` steps and more, ``each`` to a scan."""
    scans = (first + np.arange(len(shares))) // each
    whole = np.asarray(np.bincount(scans - scans[0], weights=shares), dtype=np.float64)
    return _taking(scan * (scans[0] + np.arange(len(whole)) + 0.5), whole)


@term
def _points(at: FeederAtSpeed) -> tuple[Floats, Floats] | None:
    """Return points (mm of counted travel) with their shares; None if they lie anywhere."""
    q = at.count_mm
    if not at.settings.stage_correction:
        return np.array([rounded(at.engage_travel_mm, q)]), np.ones(1)
    point = _corrected(at)
    # without counts, so finely that a step hardly notices
    wide = q or step_travel(at) / _FINE
    if wide * _MOST_POINTS < 2.0 * _FAR * point.sd or wide == 0.0:
        return None
    first, last = (round((point.average + side * _FAR * point.sd) / wide) for side in (-1.0, 1.0))
    counts = np.arange(float(first), last + 1.0)
    below = point.below(*(wide * (counts[:-1] + 0.5)).tolist())
    shares = np.diff(np.concatenate(([0.0], np.maximum.accumulate(below), [1.0])))
    some = shares > _SAME
    return wide * counts[some], shares[some]
