"""The ``"auto"`` settings: the right ones, corrected for known errors at line speed.

The right settings (:mod:`feedsim.settings.right`) leave known errors: points rounded to whole
counts, and the steps of locked ticks (:mod:`feedsim.settings.known`). A controller takes settings
in steps of its own (:mod:`feedsim.settings.steps`).
"""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.drivetrain.limits import available_acceleration
from feedsim.machine import Feeder, Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import less_what_is_known
from feedsim.settings.right import NAMES, Solution, right_settings
from feedsim.settings.steps import on_steps


def solve(machine: Machine) -> Machine:
    """Return the machine with every NaN (``"auto"``) setting solved."""
    with_motor = (with_chosen_motor(feeder) for feeder in machine.feeders)
    feeders = tuple(solved(FeederAtSpeed(machine, feeder)).feeder for feeder in with_motor)
    return replace(machine, feeders=feeders)


def auto_feeder(machine: Machine, feeder: Feeder) -> Solution:
    """Return the ``"auto"`` settings at line speed, as if all four were automatic.

    The feeder's own distances and leads are ignored.
    """
    given = FeederAtSpeed(machine, feeder)
    return _worked_out(given.with_settings(**dict.fromkeys(NAMES, math.nan)))


def solved(given: FeederAtSpeed) -> FeederAtSpeed:
    """Return a feeder with its NaN settings solved at the line's speed.

    ``given``: as in the scenario, but with the acceleration of its motor.
    """
    found = _worked_out(given)
    return given.with_settings(**{name: getattr(found, name) for name in NAMES})


def with_chosen_motor(feeder: Feeder) -> Feeder:
    """Return the feeder with a NaN (``"auto"``) acceleration set to that of its chosen motor.

    The motor's peak torque less friction and pull-off, through the reductions, over all inertia
    (feedsim/MODEL.md, section 15). Raises ValueError without a chosen motor.
    """
    if not math.isnan(feeder.servo.max_acceleration_mm_s2):
        return feeder
    drive = feeder.drive
    if drive is None or drive.chosen < 0:
        raise ValueError("an automatic largest acceleration needs a drive with a chosen motor")
    most = available_acceleration(drive, drive.motors[drive.chosen])
    return replace(feeder, servo=replace(feeder.servo, max_acceleration_mm_s2=most))


def _worked_out(at: FeederAtSpeed) -> Solution:
    """Return the settings of a feeder with the NaN ones solved.

    Known errors are corrected on a side whose distance and lead are both automatic: one that is
    typed in is taken as intended.
    """
    given, right = at.settings, right_settings(at)
    automatic = frozenset(name for name in NAMES if math.isnan(getattr(given, name)))
    typed = {name: getattr(given, name) for name in NAMES if name not in automatic}
    meant = replace(right, **typed) if typed else right
    wanted = less_what_is_known(
        at,
        meant,
        engage=automatic >= {"engage_distance_mm", "engage_lead_s"},
        disengage=automatic >= {"disengage_distance_mm", "disengage_lead_s"},
    )
    return on_steps(at, wanted, right=meant, automatic=automatic)
