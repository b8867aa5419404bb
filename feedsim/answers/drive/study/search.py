"""The highest line speed that a motor holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from feedsim.answers.drive.study.motion import motion_at
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import demand
from feedsim.drivetrain.limits import criteria_of
from feedsim.machine import Motor
from feedsim.scenario import Scenario
from feedsim.settings.limits import FASTEST_MM_S, SLOWEST_MM_S

__all__ = ["highest_speed"]

_SEARCH_CARRIERS = 16
_STEP_UP = 1.25
_WITHIN = 0.002
"""A highest speed is found to this share of it."""


def highest_speed(
    scenario: Scenario,
    number: int,
    motor: Motor,
    *,
    known: dict[float, dict[int, Cycles | None]],
) -> float | None:
    """Return the highest line speed (mm/s) at which a motor meets every criterion.

    Searched from below, so that it meets them at every slower speed looked at as well. None where
    it fails at the slowest, or no cycle begins at any; infinity where it meets them up to the
    fastest speed that is looked at. ``known``: what was found at other speeds; added to.
    """

    def margin(speed: float) -> float:
        if speed not in known:
            known[speed] = motion_at(scenario, speed, carriers=_SEARCH_CARRIERS)
        cycles = known[speed][number]
        return math.inf if cycles is None else _worst_margin(cycles, motor)

    low, at_low = 0.0, 0.0
    for rung in _ladder(scenario):
        found = margin(rung)
        if found < 0.0:
            return _between((low, at_low), (rung, found), margin) if low else None
        low, at_low = rung, found
    return math.inf if at_low < math.inf or _any_cycles(known, number) else None


def _any_cycles(known: Mapping[float, Mapping[int, Cycles | None]], number: int) -> bool:
    return any(at_speed[number] is not None for at_speed in known.values())


def _worst_margin(cycles: Cycles, motor: Motor) -> float:
    """Return the smallest margin of all criteria, below 0 where one is not met."""
    asked = demand(cycles, rotor_kg_m2=motor.rotor_inertia_kg_m2)
    found = criteria_of(cycles, motor, asked).each.values()
    worst = min(math.inf if one.margin is None else one.margin for one in found)
    met = all(one.met for one in found)
    return max(worst, 0.0) if met else min(worst, -1e-12)


def _between(
    low: tuple[float, float], high: tuple[float, float], margin: Callable[[float], float]
) -> float:
    """Narrow down where the margin turns negative: straight between the ends, and a bit inside."""
    while high[0] - low[0] > _WITHIN * high[0]:
        inside = 0.4 * _WITHIN * high[0]
        share = low[1] / (low[1] - high[1]) if low[1] < math.inf else 0.5
        guess = low[0] + share * (high[0] - low[0])
        guess = min(max(guess, low[0] + inside), high[0] - inside)
        found = margin(guess)
        low, high = (low, (guess, found)) if found < 0.0 else ((guess, found), high)
    return low[0]


def _ladder(scenario: Scenario) -> list[float]:
    """Return line speeds from a crawl to the fastest there is, the scenario's own among them."""
    own = max([v for _, v in scenario.line.profile], default=scenario.line.speed)
    down = math.floor(math.log(own / SLOWEST_MM_S) / math.log(2.0))
    up = math.floor(math.log(FASTEST_MM_S / own) / math.log(_STEP_UP))
    slow = [own * 2.0**-k for k in range(min(down, 4), 0, -1)]
    return [*slow, *(own * _STEP_UP**k for k in range(up + 1))]
