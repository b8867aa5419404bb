"""What a scenario predicts for a trial at each speed, with the settings of the machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.answers.trial.study.spread import nearest_not_below_0
from feedsim.criteria import Criteria, Figure
from feedsim.machine import Machine
from feedsim.metrics.intervals import Interval, each_of, normal_quantile
from feedsim.metrics.sample_sizes import spread_band
from feedsim.metrics.serial import effective_for_spread, sd_of_mean
from feedsim.settings.acts import locked_step
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import placement_mean
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.nominal import rectangular_sd
from feedsim.settings.shares_by_speed import together
from feedsim.settings.sources import placement_spread
from feedsim.settings.spreads import staged_nose


@dataclass(frozen=True, slots=True)
class Position:
    """Mean and spread of a position (mm).

    ``slack_mm``: how far the mean may deviate, either way, since scan and motion ticks are locked:
    the steps in which a scanned eye's point acts change with a thousandth of the speed.
    """

    mean_mm: float
    sd_mm: float
    slack_mm: float


@dataclass(frozen=True, slots=True)
class ExpectedAtSpeed:
    """The scenario's prediction for one feeder at one speed: placement error, stage, shares.

    ``missed``, ``jam_risk``, ``outside``: shares of carriers missed, of feed cycles at risk, of
    inserts out of tolerance.
    """

    speed_mm_s: float
    error: Position
    stage: Position
    missed: float
    jam_risk: float
    outside: float


class SpreadParts(NamedTuple):
    """A spread as a part that is equal at all speeds (mm) and one that is a time (s)."""

    fixed_mm: float
    time_s: float


def at_speed(machine: Machine, speed_mm_s: float) -> Machine:
    """Return the machine at another steady speed, with unchanged settings."""
    return replace(machine, line=replace(machine.line, speed_mm_s=speed_mm_s, profile=()))


def expected_at(
    machine: Machine, number: int, *, speed_mm_s: float, allowed: Criteria
) -> ExpectedAtSpeed:
    """Return the prediction for one feeder.

    ``machine``: with the settings of the trial, the same at every speed.
    """
    at = _feeder_at(machine, number, speed_mm_s)
    figures: tuple[Figure, ...] = ("missed", "jam_risk", "within_tolerance")
    return ExpectedAtSpeed(
        speed_mm_s, *_spots(at), *(_share(figure, at, allowed) for figure in figures)
    )


def expected_positions(
    machine: Machine, number: int, *, speed_mm_s: float
) -> tuple[Position, Position]:
    """Return placement error and stage position of one feeder; as :func:`expected_at`."""
    return _spots(_feeder_at(machine, number, speed_mm_s))


@lru_cache(maxsize=256)
def _feeder_at(machine: Machine, number: int, speed_mm_s: float) -> FeederAtSpeed:
    there = at_speed(machine, speed_mm_s)
    return FeederAtSpeed(there, there.feeders[number])


def _spots(at: FeederAtSpeed) -> tuple[Position, Position]:
    step = 0.5 * at.speed_mm_s * locked_step(at.controller)
    eyes, staged = (at.carrier_eye.scanned, at.eye.scanned), staged_nose(at)
    return (
        Position(placement_mean(at), placement_spread(at).sd, step * sum(eyes)),
        Position(staged.average, staged.sd, at.settings.speed_ratio * step * eyes[1]),
    )


def _share(figure: Figure, at: FeederAtSpeed, allowed: Criteria) -> float:
    """Return the share of one acceptance figure that all mechanisms together cost."""
    return together(m.share(at, allowed) for m in MECHANISMS if m.figure == figure)


def spread_parts(
    speeds_mm_s: Sequence[float], sds_mm: Sequence[float], *, step_mm: float
) -> SpreadParts:
    """Split the spread that the scenario expects into a fixed part and a time.

    Without locked ticks the variances are A + B·v²; the nearest such curve with A and B of at least
    0 is taken. ``step_mm``, in which the trial was read off, adds step/√12 to the fixed part.
    """
    design = np.column_stack([np.ones(len(speeds_mm_s)), np.square(speeds_mm_s)])
    a, b = nearest_not_below_0(design, np.square(sds_mm))
    return SpreadParts(math.sqrt(a + rectangular_sd(0.5 * step_mm) ** 2), math.sqrt(b))


@dataclass(frozen=True, slots=True)
class Allowance:
    """What is expected at one speed, and bands in which mean and spread of a trial must lie.

    No values have no band; one has none for its standard deviation.
    ``mean_band_mm``, ``sd_band_mm``: where mean and standard deviation of the values must lie; None
    for none, or one.
    ``mean_mm``, ``sd_mm``: expected.
    """

    mean_mm: float
    mean_band_mm: Interval | None
    sd_mm: float
    sd_band_mm: Interval | None


def allowance_of(
    n: int, expected: Position, *, confidence: float, bands: int, process: float = 0.0
) -> Allowance:
    """Return the band of n normal values.

    ``confidence``: two-sided, of all ``bands`` together. ``process``: coefficient of the values'
    first-order autoregression, 0 for independent ones; it widens the bands.
    """
    each = each_of(max(bands, 1), confidence)
    mean_band = sd_band = None
    if n > 0:
        half = normal_quantile(each) * expected.sd_mm * sd_of_mean(n, process)
        half += expected.slack_mm
        mean_band = Interval(expected.mean_mm - half, expected.mean_mm + half)
    if n > 1:
        part = spread_band(effective(n, process), confidence=each)
        sd_band = Interval(part.low * expected.sd_mm, part.high * expected.sd_mm)
    return Allowance(expected.mean_mm, mean_band, expected.sd_mm, sd_band)


def effective(n: int, process: float) -> float:
    """Return the number of independent values that give a spread as precisely, at least 2."""
    return max(2.0, effective_for_spread(n, process))
