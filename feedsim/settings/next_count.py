"""Where a clutch point that makes up for the error of the other one moves on by a count: a guess.

Behind one locked and one free eye ``"auto"`` lets the free side make up for the steps of the locked
one (:mod:`feedsim.settings.known`). Its point acts at the whole count next to the travel that would
leave no error, which is its own travel plus (opening) or less (closing) the error, and straight
against speed while the other point keeps its step. So it moves on where that travel is half of an
odd number of counts; a right point stays as long as it leaves no more than ``WORTH_MM``. It is a
guess, since a point on two steps of the ticks bends that line: whoever asks has to check.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.machine import SAME_TRAVEL_MM, DistancesAndLeads
from feedsim.settings.acts import is_locked, rounded
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import WORTH_MM
from feedsim.settings.predict import expected_offsets
from feedsim.settings.right import right_settings


def moves_on(low: FeederAtSpeed, high: FeederAtSpeed) -> list[float]:
    """Return speeds (mm/s) between two at which a free point may move on first, rising."""
    if low.count_mm == 0.0 or low.settings.stage_correction:
        return []
    sides = (("engage", -1.0, low.carrier_eye), ("disengage", 1.0, low.eye))
    free = [(name, sign) for name, sign, eye in sides if not is_locked(eye, low.controller)]
    return sorted(v for name, sign in free for v in _of_side(low, high, name, sign))


def _of_side(low: FeederAtSpeed, high: FeederAtSpeed, name: str, sign: float) -> Iterator[float]:
    """Yield those of one point; ``sign``: of the error in the travel that would leave none."""
    count, ends = low.count_mm, (low, high)
    travels = [_travel(at, at.settings, name) for at in ends]
    acts = [rounded(travel, count) for travel in travels]
    start, end = (
        act + sign * expected_offsets(at).error_mm / at.scale
        for act, at in zip(acts, ends, strict=True)
    )
    if start == end:
        return
    onwards = math.copysign(1.0, end - start)
    worth = onwards * WORTH_MM / low.scale
    leaves = [acts[0] + worth]
    if abs(travels[0] - acts[0]) < SAME_TRAVEL_MM:
        right = rounded(_travel(low, right_settings(low), name), count)
        leaves = [acts[0] + 0.5 * onwards * count, right - worth]
    for place in leaves:
        part = (place - start) / (end - start)
        if 0.0 < part < 1.0:
            yield low.speed_mm_s + part * (high.speed_mm_s - low.speed_mm_s)


def _travel(at: FeederAtSpeed, settings: DistancesAndLeads, name: str) -> float:
    asked = settings.engage_travel_mm if name == "engage" else settings.opening_travel_mm
    return asked(at.counted_mm_s)
