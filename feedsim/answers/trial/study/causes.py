"""Which key of a scenario, with another value, would have predicted what a trial found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.line import Estimate, SpeedLine
from feedsim.machine import Machine
from feedsim.quantities import Kind
from feedsim.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause that alone would explain a part of the findings, in the internal unit of its key.

    ``key``: its path. ``instead``: the value that explains the findings. ``above_0``: inserts come
    late, or are staged too far, rather than the opposite.
    ``kind``: its quantity.
    ``now``: the present value, in the internal unit.
    """

    explains: Literal["engage slope", "engage offset", "disengage slope"]
    key: str
    kind: Kind
    now: float
    instead: float
    above_0: bool


def causes(scenario: Scenario, machine: Machine, number: int, *, found: Corrections) -> list[Cause]:
    """Return what would explain the lines of a trial, where they are surely off.

    A delay δ on the carrier side makes every insert late by δ·v; on the insert side it stages them
    g·δ·v further, so they come early by δ·v. A delay of both (the drive's) does not show in the
    placement at all. A scale error ε shifts it by ε·(D + target + slip).
    """
    line = found.remaining or found.placement
    every = [*_slopes(scenario, machine, number, found, line), *_offsets(scenario, number, line)]
    return [cause for cause in every if cause.instead >= 0.0 or cause.kind == "share"]


def _sure(estimate: Estimate | None) -> float:
    """Return a value if its interval excludes 0, else 0."""
    if estimate is None or estimate.low <= 0.0 <= estimate.high:
        return 0.0
    return estimate.value


def _slopes(
    scenario: Scenario, machine: Machine, number: int, found: Corrections, line: SpeedLine | None
) -> Iterator[Cause]:
    feeder, g = scenario.feeder[number], machine.feeders[number].settings.speed_ratio
    late = _sure(line.per_speed_s) if line else 0.0
    stage = _sure(found.stage.per_speed_s) if found.stage else 0.0
    opening = stage * machine.encoder.scale / g
    path, clutch = f"feeder.{number}", feeder.clutch
    insert_eye, delay = (f"{path}.eye.response", feeder.eye.response), feeder.servo.command_delay
    timed = clutch.ramp == "time"

    def engage(key: str, now: float, more: float) -> Cause:
        return Cause("engage slope", key, "time", now, now + more, late > 0.0)

    def disengage(key: str, now: float, more: float) -> Cause:
        return Cause("disengage slope", key, "time", now, now + more, opening > 0.0)

    if late:
        yield engage("carrier_eye.response", scenario.carrier_eye.response, late)
        if timed:
            yield engage(f"{path}.clutch.ramp_in", clutch.ramp_in, 2.0 * late)
        if found.stage is None and not feeder.settings.stage_correction:
            yield engage(*insert_eye, -late)
    if opening:
        yield disengage(*insert_eye, opening)
        if timed:
            yield disengage(f"{path}.clutch.ramp_out", clutch.ramp_out, 2.0 * opening)
    if late and opening and _alike(line, found.stage, g):
        for cause in (engage, disengage):
            yield cause(f"{path}.servo.command_delay", delay, 0.5 * (late + opening))


def _alike(line: SpeedLine | None, stage: SpeedLine | None, g: float) -> bool:
    """Return whether both sides may be late by the same time."""
    if line is None or stage is None or line.per_speed_s is None or stage.per_speed_s is None:
        return False
    engage, opening = line.per_speed_s, stage.per_speed_s
    return max(engage.low, opening.low / g) <= min(engage.high, opening.high / g)


def _offsets(scenario: Scenario, number: int, line: SpeedLine | None) -> Iterator[Cause]:
    feeder, path = scenario.feeder[number], f"feeder.{number}"
    late = _sure(line.at_standstill_mm) if line else 0.0
    if not late:
        return
    g = feeder.settings.speed_ratio
    way = feeder.eye_to_placement + feeder.settings.target_offset + scenario.carrier.slip
    rows: list[tuple[str, Kind, float, float]] = [
        (f"{path}.eye_to_placement", "length", feeder.eye_to_placement, -late),
        (f"{path}.insert_eye_to_placement", "length", feeder.insert_eye_to_placement, g * late),
        (f"{path}.insert.slip", "length", feeder.insert.slip, g * late),
        ("carrier.slip", "length", scenario.carrier.slip, -late),
    ]
    if scenario.run.master == "encoder":
        error = scenario.line.encoder.scale_error
        rows.insert(0, ("line.encoder.scale_error", "share", error, late / way))
    for key, kind, now, more in rows:
        yield Cause("engage offset", key, kind, now, now + more, late > 0.0)
