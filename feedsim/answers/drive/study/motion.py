"""The feeds' motion at a line speed, cut into feed cycles, and the fastest speed of a motor.

Ramps, run and dwell are simulated with the scenario's own spreads and ticks. Stops, planned
faults and adjustments are left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from feedsim.draws.line_draws import RunDraws
from feedsim.drivetrain.cycles import Cycles, cycles_of
from feedsim.drivetrain.demand import demand
from feedsim.drivetrain.limits import criteria_of
from feedsim.drivetrain.stretches import Stretch, cut_cycle
from feedsim.machine import Motor
from feedsim.records.columns import FeederRecords
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, at_line_speed
from feedsim.settings.cells import FASTEST_MM_S, SLOWEST_MM_S
from feedsim.simulation.line import simulate_traced

_WARM_UP = 20
_SEARCH_CARRIERS = 16
_STEP_UP = 1.25
_WITHIN = 0.002
"""Relative precision of a highest speed."""


def motion_at(scenario: Scenario, speed_mm_s: float, *, carriers: int) -> dict[int, Cycles | None]:
    """Run a scenario at a line speed; cut the motion of each feeder with a drive into cycles.

    ``carriers``: the most after the warm-up. None where fewer than two cycles begin.
    """
    machine = replace(machine_of(at_line_speed(scenario, speed_mm_s)), supervision=None)
    warm_up = min(scenario.run.warm_up, _WARM_UP)
    count = warm_up + min(scenario.run.carriers, carriers)
    records, kept = simulate_traced(
        machine, RunDraws(machine, scenario.seed), carriers=count, around=range(0)
    )
    found: dict[int, Cycles | None] = {}
    for number, feeder in enumerate(machine.feeders):
        if feeder.drive is None:
            continue
        feed, gain = kept.feeds[number], feeder.servo.loop_gain_per_s
        begins = _begins(records.feeders[number], warm_up, feeder.servo.command_delay_s)
        if len(begins) < 2:
            found[number] = None
            continue
        feed.position(begins[-1])  # makes the pieces up to there
        cut: list[list[Stretch]] = []
        place = 0
        for begin, end in pairwise(begins):
            while place + 1 < len(feed.pieces) and feed.pieces[place + 1].start_s <= begin:
                place += 1
            last = place
            while last + 1 < len(feed.pieces) and feed.pieces[last + 1].start_s < end:
                last += 1
            here = feed.pieces[place : last + 2]
            cut.append(cut_cycle(here, feeder.drive, gain=gain, begin_s=begin, end_s=end))
        moved = any(cut)
        found[number] = cycles_of(feeder.drive, cut, begin_s=begins) if moved else None
    return found


def _begins(records: FeederRecords, warm_up: int, delay_s: float) -> list[float]:
    """Return when the clutch begins to close for each counted cycle (s), rising."""
    times = records.engage_time_s[warm_up:]
    return [float(t) + delay_s for t in np.sort(times[~np.isnan(times)])]


def highest_speed(
    scenario: Scenario, number: int, motor: Motor, *, known: dict[float, dict[int, Cycles | None]]
) -> float | None:
    """Return the highest line speed (mm/s) at which a motor meets every criterion.

    The search starts from below, so the motor also meets them at every slower speed tried. None
    where it fails at the slowest, or no cycle begins at any; infinity where it meets them up to the
    fastest speed tried. ``known``: what was found at other speeds; added to.
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
    begun = any(at_speed[number] is not None for at_speed in known.values())
    return math.inf if at_low < math.inf or begun else None


def _worst_margin(cycles: Cycles, motor: Motor) -> float:
    """Return the smallest margin of all criteria, below 0 where one is not met."""
    asked = demand(cycles, rotor_kg_m2=motor.rotor_inertia_kg_m2)
    found = criteria_of(cycles, motor, asked).each.values()
    worst = min(math.inf if one.margin is None else one.margin for one in found)
    return max(worst, 0.0) if all(one.met for one in found) else min(worst, -1e-12)


def _between(
    low: tuple[float, float], high: tuple[float, float], margin: Callable[[float], float]
) -> float:
    """Find where the margin turns negative, by a straight line between the ends."""
    (slow, at_slow), (fast, at_fast) = low, high
    while fast - slow > _WITHIN * fast:
        inside = 0.4 * _WITHIN * fast
        share = at_slow / (at_slow - at_fast) if at_slow < math.inf else 0.5
        guess = min(max(slow + share * (fast - slow), slow + inside), fast - inside)
        found = margin(guess)
        if found < 0.0:
            fast, at_fast = guess, found
        else:
            slow, at_slow = guess, found
    return slow


def _ladder(scenario: Scenario) -> list[float]:
    """Return line speeds from a crawl to the fastest there is, the scenario's own among them."""
    own = scenario.line.highest_speed
    down = math.floor(math.log(own / SLOWEST_MM_S) / math.log(2.0))
    up = math.floor(math.log(FASTEST_MM_S / own) / math.log(_STEP_UP))
    slow = [own * 2.0**-k for k in range(min(down, 4), 0, -1)]
    return [*slow, *(own * _STEP_UP**k for k in range(up + 1))]
