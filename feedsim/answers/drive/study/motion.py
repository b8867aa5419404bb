"""The feeds' motion at a line speed, from a simulated run, cut into its feed cycles.

Ramps, run and dwell are as they came with the scenario's own spreads and ticks. Stops, planned
faults and adjustments are left out.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from feedsim.draws.line_draws import RunDraws
from feedsim.drivetrain.cycles import Cycles, cycles_of
from feedsim.drivetrain.stretches import Stretch, cut_cycle
from feedsim.records.columns import FeederRecords
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, at_line_speed
from feedsim.simulation.line import simulate_traced

__all__ = ["motion_at"]

_WARM_UP = 20


def motion_at(scenario: Scenario, speed_mm_s: float, *, carriers: int) -> dict[int, Cycles | None]:
    """Run a scenario at a line speed; cut the motion of each feeder with a drive into cycles.

    ``carriers``: at most so many after the warm-up. None where fewer than two cycles begin.
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
