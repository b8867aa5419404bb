"""What ``"auto"`` stands for: the right settings, less what can be taken off at line speed.

The right settings (:mod:`feedsim.settings.right`) leave what is known beforehand: points rounded
to whole counts, and the steps of locked ticks (:mod:`feedsim.settings.known`). A controller takes
settings in steps of its own (:mod:`feedsim.settings.steps`).
"""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.machine import Feeder, Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import less_what_is_known
from feedsim.settings.right import NAMES, Solution, run_up_time, solve_feeder, with_chosen_motor
from feedsim.settings.steps import on_steps

__all__ = [
    "Solution",
    "auto_feeder",
    "run_up_time",
    "solve",
    "solve_feeder",
    "solved_at",
    "with_chosen_motor",
]


def solve(machine: Machine) -> Machine:
    """Return the machine with every setting that is NaN (``"auto"``) worked out."""
    return replace(machine, feeders=tuple(_solved(machine, feeder) for feeder in machine.feeders))


def auto_feeder(machine: Machine, feeder: Feeder) -> Solution:
    """Return what ``"auto"`` stands for at line speed, were all four settings automatic.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
        Its target and stage position are taken, its distances and leads are not.
    """
    automatic = FeederAtSpeed(machine, feeder).with_settings(**dict.fromkeys(NAMES, math.nan))
    return _worked_out(machine, automatic.feeder)


def solved_at(machine: Machine, number: int, speed_mm_s: float) -> FeederAtSpeed:
    """Return a feeder at a line speed, with its settings that are NaN worked out there.

    Parameters
    ----------
    machine : Machine
        As the scenario has it.
    number : int
        Of the feeder.
    speed_mm_s : float
    """
    line = replace(machine.line, speed_mm_s=speed_mm_s, profile=())
    there = replace(machine, line=line)
    return FeederAtSpeed(there, _solved(there, machine.feeders[number]))


def _solved(machine: Machine, feeder: Feeder) -> Feeder:
    feeder = with_chosen_motor(feeder)
    found = _worked_out(machine, feeder)
    worked_out = {name: getattr(found, name) for name in NAMES}
    return replace(feeder, settings=replace(feeder.settings, **worked_out))


def _worked_out(machine: Machine, feeder: Feeder) -> Solution:
    """Return the settings of a feeder with those that are NaN worked out.

    What is known beforehand is taken off a side whose distance and lead are both automatic:
    where one of them is typed in, what it does is meant.
    """
    given, right = feeder.settings, solve_feeder(machine, feeder)
    automatic = {name: math.isnan(getattr(given, name)) for name in NAMES}
    typed = {name: getattr(given, name) for name in NAMES if not automatic[name]}
    meant = replace(right, **typed)
    wanted = less_what_is_known(
        machine,
        feeder,
        meant,
        engage=automatic["engage_distance_mm"] and automatic["engage_lead_s"],
        disengage=automatic["disengage_distance_mm"] and automatic["disengage_lead_s"],
    )
    names = frozenset(name for name in NAMES if automatic[name])
    return on_steps(machine, feeder, wanted, right=meant, automatic=names)
