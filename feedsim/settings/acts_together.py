"""Closings and openings that come in steps together, where both eyes are scanned.

A scanned eye stores a count at a scan tick, and the fraction of a count there decides in which step
of the ticks the act falls (:mod:`feedsim.settings.acts`). From scan to scan that fraction moves on
by ρ = v_c·scan/q counts. Where ρ is nearly a whole number (or a fraction of small ones) it hardly
moves on from the tick that stores an insert's edge to the one that stores the next carrier's, N
scans later: the two acts then fall late together, or one always with the other early. Each alone
spreads as it does anyway; their difference, which is the placement, spreads more or less.

With u uniform the fraction at the insert's tick, it is u + ρ·N at the carrier's, and for the sets A
and B of fractions that lead to two steps, a and b their Fourier coefficients (any text),

    P(A, B) = Σ a_h·conj(b_h)·E[e^(2πi·h·ρ·N)], over all whole h.

N is whole: the insert's tick lies anywhere in its scan, so that N = n has the chance of the travel
X between the two edges in a tent of two scans about n, and by Poisson's sum (any text)
E[e^(iωN)] = Σ x(ω + 2πk)·sinc²(ω/2 + πk) over all whole k, x(ω) = E[e^(iω·X/(v·scan))].

From the placement before, an insert's edge comes (length + gap − S − slip)/g later; the carrier it
was laid on was seen D + target + slip before, and the next carrier comes a pitch, or some, behind
that one.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.machine import Eye
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import merged
from feedsim.probability.normal import normal_wave
from feedsim.settings.acts import first_reached, is_locked, rounded, step_travel
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.predict import cycle_time

_WAVES = 512
"""Of this many Fourier coefficients a share is off by 1/(π²·512) = 0.0002 at most (elementary)."""
_ROUND = 1
_FAR = 7.0  # standard deviations at which a normal part's wave is nothing
_HARDLY = 2e-3
_MOST_STEPS, _MOST_VALUES = 128, 64

_Waves = NDArray[np.complex128]


@term
def acts_together(at: FeederAtSpeed) -> Distribution | None:
    """Return closing less opening, each less what settings assume (mm of belt travel).

    With the motion ticks at their mean lag. None where the two are as good as independent, or where
    either is always the same.
    """
    control, q = at.controller, at.count_mm
    both = is_locked(at.eye, control) and is_locked(at.carrier_eye, control)
    if not both or q == 0.0 or at.settings.stage_correction:
        return None
    step = step_travel(at)
    if q > _MOST_STEPS * step:
        return None
    sides = [_fractions(travel, step, q) for travel in (at.engage_travel_mm, at.opening_travel_mm)]
    if min(len(ends) for _, ends in sides) < 3:
        return None
    h = np.arange(1, _WAVES + 1)
    alike = _alike(at, h)
    if np.max(np.abs(alike) / h**2) < _HARDLY:
        return None
    (first, engage), (opened, opening) = sides
    a, b = (_coefficients(ends, h) for ends in (engage, opening))
    alone = np.outer(np.diff(engage), np.diff(opening))
    shares: Floats = np.maximum(0.0, alone + 2.0 * ((a * alike) @ b.conj().T).real)
    later = np.arange(float(len(shares)))[:, None] - np.arange(float(len(shares[0])))
    steps = later + float(first - opened)
    off: Floats = step * steps - (at.engage_travel_mm - at.opening_travel_mm)
    choices = merged(off.ravel(), shares.ravel() / shares.sum(), most=_MOST_VALUES)
    return Distribution(choices=({at.scale * x: p for x, p in choices.items()},))


def _fractions(travel: float, step: float, count_mm: float) -> tuple[int, Floats]:
    """Return the least steps in which a point is reached, and the fractions of a count for each.

    By u of a count at the storing tick it is reached in j steps of w counts if u + j·w is not below
    its whole counts, so the fractions for j steps more lie ever lower; returned falling from 1 to 0
    as 1 − u, rising.
    """
    low, high = first_reached(travel, step, count_mm=count_mm)
    counts = rounded(travel, count_mm) / count_mm
    ends = 1.0 - np.clip(counts - np.arange(low, high) * (step / count_mm), 0.0, 1.0)
    return low, np.array([0.0, *ends, 1.0])


def _coefficients(ends: Floats, h: NDArray[np.int64]) -> _Waves:
    """Return ∫ e^(−2πihu) du over the fractions of each step, shape (steps, waves).

    ``ends``: as 1 − u, so that the sign of i is turned (u and 1 − u: e^(2πih·whole) = 1).
    """
    waves = np.exp(2j * math.pi * np.outer(ends, h))
    found: _Waves = (waves[1:] - waves[:-1]) / (2j * math.pi * h)
    return found


def _alike(at: FeederAtSpeed, h: NDArray[np.int64]) -> _Waves:
    """Return E[e^(2πi·h·ρ·N)] for each h."""
    scan = at.speed_mm_s * at.controller.scan_s
    rho = at.counted_mm_s * at.controller.scan_s / at.count_mm
    turn = 2.0 * math.pi * (h * rho - np.rint(h * rho))
    found = np.zeros(len(h), dtype=np.complex128)
    for k in range(-_ROUND, _ROUND + 1):
        w = turn + 2.0 * math.pi * k
        some = np.abs(w) * _spread(at) < _FAR * scan
        x = _between_edges(at, w[some] / scan)
        found[some] += x * np.sinc(w[some] / (2.0 * math.pi)) ** 2
    return found


def _spread(at: FeederAtSpeed) -> float:
    """Return the standard deviation of X but for the pitch (mm)."""
    gap = at.belt_per_feed * at.inserts.gap_sd_mm
    return math.hypot(gap, at.carrier_eye.edge_sd_mm, at.carriers.slip_sd_mm)


def _between_edges(at: FeederAtSpeed, w: Floats) -> _Waves:
    """Return E[e^(iw·X)], X the belt travel (mm) from an insert's edge as seen to the carrier's."""
    ins, per_feed, c = at.inserts, at.belt_per_feed, at.carriers
    mean = at.speed_mm_s * (_seen_after(at.carrier_eye) - _seen_after(at.eye))
    mean -= at.feeder.eye_to_placement_mm + at.settings.target_offset_mm + c.slip_mm
    feed = ins.pitch_mm - at.feeder.insert_eye_to_placement_mm
    mean -= per_feed * (feed - clipped_slip_mean(ins))
    pitches = max(1, math.ceil(at.speed_mm_s * cycle_time(at) / c.arrival.pitch_mm))
    come = at.seen_share
    pitch = c.arrival.wave(w)
    # pitches without a mark, so many in a row
    more = come / (1.0 - (1.0 - come) * pitch)
    return normal_wave(w, mean=mean, sd=_spread(at)) * pitch**pitches * more


def _seen_after(eye: Eye) -> float:
    return eye.response_s + eye.filter_s
