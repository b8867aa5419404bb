"""How far two inserts on one carrier lie on each other: mean and spread before a run."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from feedsim.criteria import AllowedOverlap
from feedsim.machine import Machine
from feedsim.settings.acts import locked_step, rounded, tick_wait_variance
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import placement_mean
from feedsim.settings.sources import placement_sources, placement_spread

_SAME_TICK = 1e-6
_SHARED = {
    *(f"carrier eye {what}" for what in ("edge", "jitter", "scan", "count")),
    "carrier slip",
}
"""Sources of placement that all inserts on one carrier have in common."""


def expected_overlap(
    machine: Machine, pair: AllowedOverlap, *, speed: float
) -> tuple[float, float]:
    """Return mean and standard deviation (mm) of an overlap at a line speed (mm/s).

    The mean by lengths, target offsets and the mean errors of settings and scale. The spread is
    that of a difference of two offsets: sd₁² + sd₂², less twice what both share, since both use the
    same mark of the same carrier (JCGM 100:2008, GUM, 5.2.2): all from its edge to its count, its
    slip, and of the closing ticks what :func:`_shared_by_ticks` returns.
    Where one insert covers the other the overlap is the shorter one's length, and this spread is
    too wide.
    """
    both = [FeederAtSpeed(machine, machine.feeders[n], speed) for n in (pair.below, pair.above)]
    settings = [at.settings for at in both]
    starts = [s.target_offset_mm + placement_mean(at) for s, at in zip(settings, both, strict=True)]
    shared = sum(
        source.contribution_mm**2
        for source in placement_sources(both[0])
        if source.name in _SHARED and source.distribution != "discrete"
    )
    if not any(s.stage_correction for s in settings):
        shared += _shared_by_ticks(*both)
    variance = sum(placement_spread(at).sd ** 2 for at in both) - 2.0 * shared
    lengths = [at.inserts.length_mm for at in both]
    return overlap_mm(starts, lengths), math.sqrt(max(0.0, variance))


def overlap_mm(starts: Sequence[float], lengths: Sequence[float]) -> float:
    """Return how far two inserts lie on each other (mm); below 0: the clearance.

    min(o₁ + L₁, o₂ + L₂) − max(o₁, o₂) (elementary); ``starts``: offsets o from one place.
    """
    ends = (start + length for start, length in zip(starts, lengths, strict=True))
    return min(ends) - max(starts)


def _shared_by_ticks(one: FeederAtSpeed, other: FeederAtSpeed) -> float:
    """Return the covariance of two closings that share one count and one motion clock (mm²).

    A point lies x after the count, and waits w for the tick, which is at any phase; of a scanned
    eye at one of the phases kγ. The variance of w is c²/12, or (c² − γ²)/12, c the cycle. Of two
    points the waits differ by what the phase makes of their distance:
    cov = (2·var − var(w₂ − w₁))/2, any text. At any phase var(w₂ − w₁) = c²·d·(1 − d), d the
    fraction of a cycle by which they lie apart.
    """
    controller = one.controller
    cycle, scanned = controller.motion_cycle_s, one.carrier_eye.scanned
    if cycle == 0.0:
        return 0.0
    step = locked_step(controller) if scanned else 0.0
    x, y = (rounded(at.engage_travel_mm, at.count_mm) / at.counted_mm_s for at in (one, other))
    if step == 0.0:
        apart = math.fmod(abs(y - x) / cycle, 1.0)
        differ = cycle * cycle * apart * (1.0 - apart)
    else:
        ticks = step * np.arange(round(cycle / step))
        waits = [np.ceil((z - ticks) / cycle - _SAME_TICK) * cycle + ticks - z for z in (x, y)]
        differ = float(np.var(waits[1] - waits[0]))
    return one.speed_mm_s**2 * (tick_wait_variance(cycle, step) - 0.5 * differ)
