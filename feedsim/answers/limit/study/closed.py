"""What the closed forms say of a whole line: limits, refused speeds, and where to look."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from feedsim.machine import Feeder, Machine
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, at_line_speed
from feedsim.settings.limits import (
    TOGETHER,
    Closed,
    Refused,
    SpeedLimit,
    closed_form,
    window,
    worst_between,
)
from feedsim.settings.mechanisms import Allowed

__all__ = [
    "allowed_of",
    "closed_forms",
    "closed_limits",
    "closed_window",
    "lowest_together",
    "refused_speeds",
    "worst_of_line",
]


def closed_forms(scenario: Scenario) -> list[Closed]:
    """Return what the closed forms say of each feeder."""
    allowed = allowed_of(scenario)
    return [closed_form(_at(scenario, n), allowed) for n in range(len(scenario.feeder))]


def closed_limits(scenario: Scenario, *, lowest: bool = False) -> list[list[SpeedLimit]]:
    """Return the closed-form limits of each feeder, the lowest first.

    ``lowest``: those of mechanisms that cannot be the lowest are left out.
    """
    allowed, feeders = allowed_of(scenario), range(len(scenario.feeder))
    return [
        list(closed_form(_at(scenario, n), allowed, windows=1, lowest=lowest).limits)
        for n in feeders
    ]


def allowed_of(scenario: Scenario) -> Allowed:
    """Return what the closed forms judge a scenario by."""
    accept, limits = scenario.acceptance, scenario.limits
    return Allowed(
        placement_tolerance_mm=accept.placement_tolerance,
        outside_tolerance=1.0 - accept.within_tolerance,
        missed=accept.missed,
        jam_risk=accept.jam_risk,
        speed_mismatch=limits.speed_mismatch,
        overhang_mm=limits.overhang,
    )


def _at(scenario: Scenario, number: int) -> Callable[[float], tuple[Machine, Feeder]]:
    def machine_at(speed: float) -> tuple[Machine, Feeder]:
        machine = machine_of(at_line_speed(scenario, speed))
        return machine, machine.feeders[number]

    return machine_at


def closed_window(scenario: Scenario) -> tuple[float, float] | None:
    """Return the speeds (mm/s) between which the closed forms accept the line, its own among them.

    None if they do not accept its own. Settings that are right at one speed only are accepted in
    a window about it, and at no slower speed.
    """
    allowed, speed = allowed_of(scenario), scenario.line.speed
    found = [window(_at(scenario, n), allowed, speed) for n in range(len(scenario.feeder))]
    if any(each is None for each in found):
        return None
    ends = [each for each in found if each is not None]
    return max(low for low, _ in ends), min(high for _, high in ends)


def lowest_together(limits: Sequence[Sequence[SpeedLimit]]) -> float | None:
    """Return the speed (mm/s) up to which all mechanisms of all feeders leave it acceptable."""
    speeds = [x.speed_mm_s for row in limits for x in row if x.mechanism == TOGETHER]
    return min((speed for speed in speeds if speed is not None), default=None)


def refused_speeds(forms: Iterable[Closed]) -> list[Refused]:
    """Return the stretches of speeds that some feeder refuses, rising, those that touch as one."""
    rising = sorted(
        (r for form in forms for r in form.refused), key=lambda r: (r.from_mm_s, r.to_mm_s)
    )
    found: list[Refused] = []
    for stretch in rising:
        if found and stretch.from_mm_s <= found[-1].to_mm_s:
            end = max(found[-1].to_mm_s, stretch.to_mm_s)
            found[-1] = replace(found[-1], to_mm_s=end)
        else:
            found.append(stretch)
    return found


def worst_of_line(scenario: Scenario) -> Callable[[float, float], float]:
    """Return what finds the worst line speed (mm/s) between two near each other."""
    allowed, feeders = allowed_of(scenario), range(len(scenario.feeder))

    def worst(low: float, high: float) -> float:
        found = [worst_between(_at(scenario, n), allowed, low, high) for n in feeders]
        return max(found, key=lambda pair: pair[1].times)[0]

    return worst
