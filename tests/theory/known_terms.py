"""Known terms of the mean that right settings leave (model, section 14, fact 1), by hand.

And a share as if ramps and lags were over, against which those that have them are told apart.
"""

from __future__ import annotations

import math

from feedsim.machine import Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.right import solve_feeder
from feedsim.settings.spreads import gaps, slips, staged_nose


def cycles(counts: float, per_cycle: float) -> dict[int, float]:
    """Probability of each number of cycles from a scan tick that stores a count to the act.

    With a fractional count u, uniform on 0…1, at the storing tick, the point N counts on is
    not yet reached at cycle j with probability clip(N − j·w, 0, 1), w counts a cycle.
    """
    not_yet, j, shares = 1.0, 0, {}
    while not_yet > 0.0:
        still = min(1.0, max(0.0, counts - j * per_cycle))
        if not_yet > still:
            shares[j] = not_yet - still
        not_yet, j = still, j + 1
    return shares


def side_biases(travel: float, *, line: Machine, scanned: bool) -> dict[float, float]:
    """Biases of one side (mm of counted travel) and their shares.

    A bias is where the clutch acts less where the settings expect it, which is
    travel − q/2 + v·cycle/2 after the true capture. ``travel`` is E or U, not rounded.
    """
    q, cycle = line.encoder.count_mm, line.controller.motion_cycle_s
    counted = line.line.speed_mm_s / (1.0 + line.encoder.scale_error) * cycle
    if not scanned or cycle == 0.0:
        return {(q * round(travel / q) if q else travel) - travel: 1.0}
    expected = travel - 0.5 * q + 0.5 * counted
    if not q:
        return {counted * math.ceil(travel / counted) - expected: 1.0}
    moved = cycles(round(travel / q), counted / q)
    return {counted * j - expected: share for j, share in moved.items()}


def mean_bias(biases: dict[float, float]) -> float:
    """Return the mean of a distribution of biases."""
    return sum(bias * share for bias, share in biases.items())


def expected_means(
    line: Machine, number: int = 0, *, known_only: bool = False
) -> tuple[float, float]:
    """Mean placement error and mean stage position (mm) at line speed.

    With ΔE and ΔU what the points are off the right ones, the error is (1 + ε)·(ΔE − ΔU), and the
    stage off by g·ΔU, known terms added; with ``known_only`` the error is these alone. With stage
    correction ΔU and the opening's bias are known to the controller, and their correction shifts
    E. Where the insert eye is latched that correction is spread over a motion cycle, many counts
    wide, and the rounding of the corrected E averages out.
    """
    f = line.feeders[number]
    s, eps, right = f.settings, line.encoder.scale_error, solve_feeder(line, f)
    counted = line.line.speed_mm_s / (1.0 + eps)
    travel = s.engage_distance_mm - s.engage_lead_s * counted
    opening = s.disengage_distance_mm - s.disengage_lead_s * counted
    off = travel - (right.engage_distance_mm - right.engage_lead_s * counted)
    opened = opening - (right.disengage_distance_mm - right.disengage_lead_s * counted)
    openings = side_biases(opening, line=line, scanned=f.eye.scanned)
    stage = s.stage_position_mm + s.speed_ratio * (mean_bias(openings) + opened)

    def engage(by: float) -> float:
        return mean_bias(side_biases(travel + by, line=line, scanned=line.carrier_eye.scanned))

    if not s.stage_correction:
        error, off = engage(0.0) - mean_bias(openings), off - opened
    elif f.eye.scanned:
        error = sum(share * engage(by + opened) for by, share in openings.items())
    else:
        assert not line.carrier_eye.scanned, "no closed form here for this mixture"
        error = 0.0
    return (1.0 + eps) * (error if known_only else error + off), stage


def landing_late_at_rest(at: FeederAtSpeed) -> float:
    """Share of inserts that land in the next cycle, as if ramps and lags were over by then.

    P(stage + gap − slip < S − length): the next nose rests a gap behind this one's tail.
    """
    there = staged_nose(at).plus(gaps(at), slips(at).times(-1.0))
    return there.share_below(at.feeder.insert_eye_to_placement_mm - at.inserts.length_mm)
