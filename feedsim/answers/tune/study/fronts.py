"""How little jam risk, and how little spread, can be had at each speed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from feedsim.answers.tune.study.after import Against
from feedsim.answers.tune.study.knob import Along, stepped
from feedsim.answers.tune.study.look import SAME_RISK, Look, descend
from feedsim.answers.tune.study.space import Setup

LooksAt = Callable[[Sequence[Setup], float], Sequence[Look]]
"""Setups and a line speed (mm/s) → what the closed forms say of each there."""

_SPEEDS = 7
_SLOWEST, _CLOSER = 0.6, 1.5
_REFUSED = 1e6
_SAME_MM = 1e-4
"""A difference below this is none: a search would follow noise."""


def front_speeds(now_mm_s: float, best_mm_s: float) -> list[float]:
    """Return the line speeds (mm/s) of a front: from the slower of two, or less, to the faster.

    They lie closer together towards the fastest, where risk and spread rise.

    Parameters
    ----------
    now_mm_s, best_mm_s : float
        The line speed, and the fastest that is accepted.
    """
    low, high = min(now_mm_s, _SLOWEST * best_mm_s), max(now_mm_s, best_mm_s)
    parts = [1.0 - k / (_SPEEDS - 1) for k in range(_SPEEDS)]
    return [high - (high - low) * part**_CLOSER for part in parts]


def front_setups(
    knobs: Sequence[Along],
    start: Setup,
    speeds_mm_s: Sequence[float],
    against: Against,
    looks: LooksAt,
    *,
    allowed: Callable[[Setup], bool] = lambda _: True,
) -> list[Setup]:
    """Return the setup with the least jam risk or spread at each speed, in closed form.

    What is accepted there goes before what is not; where nothing is, the setup that comes nearest.

    Parameters
    ----------
    start : Setup
        The best one at the fastest of the speeds; the search goes on from each speed's setup.
    speeds_mm_s : sequence of float
        Rising.
    allowed : callable
        Whether a setup may be chosen.
    """
    at = tuple(each.step_of(place) for each, place in zip(knobs, start, strict=True))
    steps, found = [len(each) for each in knobs], []
    for speed in reversed(speeds_mm_s):

        def cost(many: Sequence[tuple[int, ...]], speed: float = speed) -> list[float]:
            setups = [stepped(knobs, one) for one in many]
            return [
                _cost(look, against) if allowed(setup) else math.inf
                for setup, look in zip(setups, looks(setups, speed), strict=True)
            ]

        at, _ = descend(cost, at, steps)
        found.append(stepped(knobs, at))
    return found[::-1]


def _cost(look: Look, against: Against) -> float:
    if look.times > 1.0:
        return _REFUSED * look.times
    if against == "jam_risk":
        return max(look.jam_risk, SAME_RISK)
    return _SAME_MM * round(look.sd_mm / _SAME_MM)
