"""What ``"auto"`` stands for: the right settings, less what can be taken off at line speed.

The right settings (:mod:`feedsim.settings.right`) leave what is known beforehand: points rounded
to whole counts, and the steps of locked ticks (:mod:`feedsim.settings.known`). A controller takes
settings in steps of its own (:mod:`feedsim.settings.steps`).
"""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.machine import Feeder, Machine
from feedsim.settings.known import less_what_is_known
from feedsim.settings.right import Solution, run_up_time, solve_feeder, with_chosen_motor
from feedsim.settings.steps import on_steps

__all__ = [
    "Solution",
    "auto_feeder",
    "run_up_time",
    "solve",
    "solve_feeder",
    "with_chosen_motor",
]

_NAMES = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")


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
    automatic = replace(
        feeder.settings,
        engage_distance_mm=math.nan,
        engage_lead_s=math.nan,
        disengage_distance_mm=math.nan,
        disengage_lead_s=math.nan,
    )
    return _worked_out(machine, replace(feeder, settings=automatic))


def _solved(machine: Machine, feeder: Feeder) -> Feeder:
    feeder = with_chosen_motor(feeder)
    found = _worked_out(machine, feeder)
    worked_out = {name: getattr(found, name) for name in _NAMES}
    return replace(feeder, settings=replace(feeder.settings, **worked_out))


def _worked_out(machine: Machine, feeder: Feeder) -> Solution:
    """Return the settings of a feeder with those that are NaN worked out.

    What is known beforehand is taken off a side whose distance and lead are both automatic:
    where one of them is typed in, what it does is meant.
    """
    given, right = feeder.settings, solve_feeder(machine, feeder)
    automatic = {name: math.isnan(getattr(given, name)) for name in _NAMES}
    typed = {name: getattr(given, name) for name in _NAMES if not automatic[name]}
    meant = replace(right, **typed)
    wanted = less_what_is_known(
        machine,
        feeder,
        meant,
        engage=automatic["engage_distance_mm"] and automatic["engage_lead_s"],
        disengage=automatic["disengage_distance_mm"] and automatic["disengage_lead_s"],
    )
    names = frozenset(name for name in _NAMES if automatic[name])
    return on_steps(machine, feeder, wanted, right=meant, automatic=names)
