"""Which key of a scenario, set otherwise, would have had it expect what a trial found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.line import Estimate, Line
from feedsim.machine import Machine
from feedsim.quantities import Kind
from feedsim.scenario import Scenario

__all__ = ["Cause", "causes"]


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that alone would explain a part of what was found.

    Attributes
    ----------
    explains : {"engage slope", "engage offset", "disengage slope"}
    key : str
        Path of the key.
    kind : Kind
        What quantity it is.
    now, instead : float
        In the internal unit: as it stands, and as it would have to be.
    above_0 : bool
        Whether inserts come late, or are staged too far, and not the other way round.
    """

    explains: Literal["engage slope", "engage offset", "disengage slope"]
    key: str
    kind: Kind
    now: float
    instead: float
    above_0: bool


def causes(scenario: Scenario, machine: Machine, number: int, *, found: Corrections) -> list[Cause]:
    """Return what would explain the lines of a trial, as far as they are off for sure.

    A delay δ on the carrier side has every insert come late by δ·v; on the insert side it
    stages them g·δ·v further, so that they come early by δ·v. A delay of both (the drive's) does
    not show in the placement at all. A scale error ε shifts it by ε·(D + target + slip).
    """
    every = [
        *_slopes(scenario, machine, number, found),
        *_offsets(scenario, machine, number, found),
    ]
    return [cause for cause in every if cause.instead >= 0.0 or cause.kind == "share"]


def _sure(estimate: Estimate | None) -> float | None:
    """Return a value whose interval leaves out 0."""
    if estimate is None or estimate.low <= 0.0 <= estimate.high:
        return None
    return estimate.value


def _engage_line(found: Corrections) -> Line | None:
    return found.remaining or found.placement


def _slopes(
    scenario: Scenario, machine: Machine, number: int, found: Corrections
) -> Iterator[Cause]:
    feeder = scenario.feeder[number]
    line = _engage_line(found)
    late = _sure(line.per_speed_s) if line else None
    stage = _sure(found.stage.per_speed_s) if found.stage else None
    g = machine.feeders[number].settings.speed_ratio
    opening = None if stage is None else stage * (1.0 + machine.encoder.scale_error) / g
    insert_eye, delay = f"feeder.{number}.eye.response", f"feeder.{number}.servo.command_delay"
    clutch, timed = f"feeder.{number}.clutch", feeder.clutch.ramp == "time"

    def time(
        explains: Literal["engage slope", "disengage slope"], key: str, now: float, more: float
    ) -> Cause:
        above_0 = ((late if explains == "engage slope" else opening) or 0.0) > 0.0
        return Cause(explains, key, "time", now, now + more, above_0)

    if late is not None:
        yield time("engage slope", "carrier_eye.response", scenario.carrier_eye.response, late)
        if timed:
            yield time("engage slope", f"{clutch}.ramp_in", feeder.clutch.ramp_in, 2.0 * late)
        if found.stage is None and not feeder.settings.stage_correction:
            yield time("engage slope", insert_eye, feeder.eye.response, -late)
    if opening is not None:
        yield time("disengage slope", insert_eye, feeder.eye.response, opening)
        if timed:
            yield time(
                "disengage slope", f"{clutch}.ramp_out", feeder.clutch.ramp_out, 2.0 * opening
            )
    if late is not None and opening is not None and _alike(found, g):
        both = 0.5 * (late + opening)
        yield time("engage slope", delay, feeder.servo.command_delay, both)
        yield time("disengage slope", delay, feeder.servo.command_delay, both)


def _alike(found: Corrections, g: float) -> bool:
    """Tell whether both sides are late by the same time, as far as can be told."""
    line, stage = _engage_line(found), found.stage
    if line is None or stage is None or line.per_speed_s is None or stage.per_speed_s is None:
        return False
    engage, opening = line.per_speed_s, stage.per_speed_s
    return max(engage.low, opening.low / g) <= min(engage.high, opening.high / g)


def _offsets(
    scenario: Scenario, machine: Machine, number: int, found: Corrections
) -> Iterator[Cause]:
    feeder = scenario.feeder[number]
    line = _engage_line(found)
    late = _sure(line.at_standstill_mm) if line else None
    if late is None:
        return
    g = machine.feeders[number].settings.speed_ratio
    way = feeder.eye_to_placement + feeder.settings.target_offset + scenario.carrier.slip
    if scenario.run.master == "encoder":
        error = scenario.line.encoder.scale_error
        key = "line.encoder.scale_error"
        yield Cause("engage offset", key, "share", error, error + late / way, late > 0.0)
    for key, now, more in (
        (f"feeder.{number}.eye_to_placement", feeder.eye_to_placement, -late),
        (f"feeder.{number}.insert_eye_to_placement", feeder.insert_eye_to_placement, g * late),
        (f"feeder.{number}.insert.slip", feeder.insert.slip, g * late),
        ("carrier.slip", scenario.carrier.slip, -late),
    ):
        yield Cause("engage offset", key, "length", now, now + more, late > 0.0)
