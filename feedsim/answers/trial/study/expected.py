"""What a scenario has a trial expect, at each speed, with the settings that are in the machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.answers.trial.study.spread import nearest_not_below_0
from feedsim.criteria import Criteria, Figure
from feedsim.machine import Feeder, Machine
from feedsim.settings.acts import locked_step
from feedsim.settings.late_acts import late_opening
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.predict import expected_offsets
from feedsim.settings.sources import placement_sd
from feedsim.settings.spreads import scale_shift, stage_spread
from feedsim.settings.standard_uncertainty import rectangular_sd

__all__ = [
    "Budget",
    "Expected",
    "Spot",
    "at_speed",
    "budget",
    "expected_at",
    "spots_at",
]


@dataclass(frozen=True, slots=True)
class Spot:
    """Where something lies on average, and how it spreads (mm).

    ``slack_mm``: how far the mean may be off that, either way, since scan and motion ticks are
    locked: the steps in which a scanned eye's point acts depend on the speed to a thousandth.
    """

    mean_mm: float
    sd_mm: float
    slack_mm: float


@dataclass(frozen=True, slots=True)
class Expected:
    """What the scenario says of one feeder at one speed.

    Attributes
    ----------
    speed_mm_s : float
    error, stage : Spot
        Placement error; stage position from the insert eye.
    missed, jam_risk, outside : float
        Shares of carriers missed, of feed cycles at risk, of inserts out of tolerance.
    """

    speed_mm_s: float
    error: Spot
    stage: Spot
    missed: float
    jam_risk: float
    outside: float


class Budget(NamedTuple):
    """A spread as a part that is the same at every speed (mm) and one that is a time (s)."""

    fixed_mm: float
    time_s: float


def at_speed(machine: Machine, speed_mm_s: float) -> Machine:
    """Return the machine at another steady speed, its settings left as they are."""
    return replace(machine, line=replace(machine.line, speed_mm_s=speed_mm_s, profile=()))


def expected_at(machine: Machine, number: int, *, speed_mm_s: float, allowed: Criteria) -> Expected:
    """Return what is to be expected of one feeder.

    Parameters
    ----------
    machine : Machine
        With the settings that are in force in the trial, at every speed the same.
    number : int
        Of the feeder.
    speed_mm_s : float
    allowed : Criteria
        For the tolerance.
    """
    there = at_speed(machine, speed_mm_s)
    error, stage = spots_at(machine, number, speed_mm_s=speed_mm_s)
    feeder = there.feeders[number]
    return Expected(
        speed_mm_s=speed_mm_s,
        error=error,
        stage=stage,
        missed=_share("missed", there, feeder, allowed),
        jam_risk=_share("jam_risk", there, feeder, allowed),
        outside=_share("within_tolerance", there, feeder, allowed),
    )


def spots_at(machine: Machine, number: int, *, speed_mm_s: float) -> tuple[Spot, Spot]:
    """Return placement error and stage position of one feeder; as :func:`expected_at`."""
    there = at_speed(machine, speed_mm_s)
    feeder = there.feeders[number]
    g, scale = feeder.settings.speed_ratio, 1.0 + there.encoder.scale_error
    offsets = expected_offsets(there, feeder, speed=speed_mm_s)
    late_variance = late_opening(there, feeder, speed=speed_mm_s).sd ** 2
    early = 0.0 if feeder.settings.stage_correction else scale
    error_sd = placement_sd(there, feeder, speed=speed_mm_s)
    staged_sd = stage_spread(there, feeder, speed=speed_mm_s).sd
    step = 0.5 * speed_mm_s * locked_step(there.controller)
    eyes = (there.carrier_eye.scanned, feeder.eye.scanned)
    error = Spot(
        offsets.error_mm + scale_shift(there, feeder),
        math.sqrt(error_sd**2 + early * early * late_variance),
        step * sum(eyes),
    )
    stage = Spot(
        feeder.settings.stage_position_mm + offsets.stage_mm,
        math.sqrt(staged_sd**2 + g * g * late_variance),
        g * step * eyes[1],
    )
    return error, stage


@lru_cache(maxsize=1024)
def _share(figure: Figure, machine: Machine, feeder: Feeder, allowed: Criteria) -> float:
    """Return what all mechanisms together cost of one acceptance figure."""
    left = 1.0
    for mechanism in MECHANISMS:
        if mechanism.figure == figure:
            left *= 1.0 - mechanism.share(machine, feeder, machine.line.speed_mm_s, allowed)
    return 1.0 - left


def budget(speeds_mm_s: Sequence[float], sds_mm: Sequence[float], *, step_mm: float) -> Budget:
    """Split what the scenario expects of a spread into a fixed part and a time.

    Parameters
    ----------
    speeds_mm_s, sds_mm : sequence of float
        Expected standard deviations; their squares are A + B·v² but for locked ticks, and the
        nearest such curve with A and B of at least 0 is taken.
    step_mm : float
        Step in which the trial was read off: step/√12 more of the fixed part.
    """
    design = np.column_stack([np.ones(len(speeds_mm_s)), np.square(speeds_mm_s)])
    a, b = nearest_not_below_0(design, np.square(sds_mm))
    return Budget(math.sqrt(a + rectangular_sd(0.5 * step_mm) ** 2), math.sqrt(b))
