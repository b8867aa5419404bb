"""What the feed axis asks of its motor at some line speeds, and which candidates can give it.

The motion is that of a simulated run, cut into its feed cycles: ramps, run and dwell as they came
with the scenario's own spreads and ticks. Stops and rehearsed faults are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.answers.drive.study.motion import motion_at
from feedsim.answers.drive.study.search import highest_speed
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import Demand, demand
from feedsim.drivetrain.limits import Criterion, criteria_of
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import Machine, Motor
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario

__all__ = [
    "CARRIERS",
    "AtSpeed",
    "Candidate",
    "Sizing",
    "check",
    "size",
    "speeds_from",
]

CARRIERS = 100
"""Carriers in the motion that is looked at, at most; the warm-up comes before them."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """What one motor has to give at one speed, and whether it can.

    Attributes
    ----------
    demand : Demand
        Of all cycles together.
    hardest_rms_n_m : float
        RMS torque of the cycle in which it is highest.
    criteria : tuple of Criterion
    """

    demand: Demand
    hardest_rms_n_m: float
    criteria: tuple[Criterion, ...]

    @property
    def passes(self) -> bool:
        """Whether it meets every criterion."""
        return all(criterion.met for criterion in self.criteria)


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """One feeder at one line speed.

    Attributes
    ----------
    speed_mm_s : float
        Of the line.
    cycles : Cycles or None
        None where fewer than two feed cycles begin.
    load : Demand or None
        Of the mechanism alone, its motor without a rotor.
    candidates : tuple of Candidate
        As many as there are motors; none without cycles.
    """

    speed_mm_s: float
    cycles: Cycles | None
    load: Demand | None
    candidates: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True)
class Sizing:
    """All that was found of one feeder.

    Attributes
    ----------
    number : int
        Of the feeder.
    machine : Machine
        At the scenario's own line speed, its settings solved.
    points : tuple of AtSpeed
        By rising speed.
    highest_mm_s : tuple of float or None
        Of each motor the highest line speed that it holds; None where there is none, and
        infinity where it holds all that were looked at.
    """

    number: int
    machine: Machine
    points: tuple[AtSpeed, ...]
    highest_mm_s: tuple[float | None, ...]


def speeds_from(scenario: Scenario) -> tuple[float, ...]:
    """Return the speeds (mm/s) asked for: those of ``[sweep]`` if it has any, else the line's."""
    if "sweep" in scenario.model_fields_set and "speeds" in scenario.sweep.model_fields_set:
        return scenario.sweep.speeds_mm_s
    profile = [speed for _, speed in scenario.line.profile]
    return (max(profile, default=scenario.line.speed),)


def check(scenario: Scenario) -> list[int]:
    """Return the numbers of the feeders whose drive is told.

    Raises
    ------
    FeedsimError
        If there are none, or a clutch closes or opens in a step, which no motor can follow.
    """
    numbers = [n for n, feeder in enumerate(scenario.feeder) if feeder.drive is not None]
    if not numbers:
        raise FeedsimError(
            Fault(
                "feeder.0.drive",
                message="nothing is told of a drive; write [feeder.drive] with roller_diameter, "
                "its [[feeder.drive.roller]] and [[feeder.drive.reduction]], and candidates as "
                '[[feeder.drive.motor]] or motors = "file.csv"',
            )
        )
    faults = []
    for number in numbers:
        feeder = scenario.feeder[number]
        for name in ("ramp_in", "ramp_out"):
            if getattr(feeder.clutch, name) == 0.0:
                key = f"feeder.{number}.clutch.{name}"
                message = (
                    "is 0, a step of speed that no motor can follow; give a ramp of more than 0"
                )
                faults.append(Fault(key, message=message))
    if faults:
        raise FeedsimError(*faults)
    return numbers


def size(scenario: Scenario, speeds_mm_s: Sequence[float]) -> list[Sizing]:
    """Size the drives of a scenario.

    Parameters
    ----------
    scenario : Scenario
    speeds_mm_s : sequence of float
        Line speeds to look at, mm/s.

    Raises
    ------
    FeedsimError
        As :func:`check` does.
    """
    numbers = check(scenario)
    at_line = machine_of(scenario)
    motions = {speed: motion_at(scenario, speed, carriers=CARRIERS) for speed in speeds_mm_s}
    found = []
    searched: dict[float, dict[int, Cycles | None]] = {}
    for number in numbers:
        motors = _motors(at_line, number)
        points = tuple(
            _at_speed(speed, motions[speed][number], motors) for speed in sorted(speeds_mm_s)
        )
        highest = tuple(highest_speed(scenario, number, motor, known=searched) for motor in motors)
        found.append(Sizing(number, at_line, points, highest))
    return found


def _motors(machine: Machine, number: int) -> tuple[Motor, ...]:
    drive = machine.feeders[number].drive
    return drive.motors if drive else ()


def _at_speed(speed: float, cycles: Cycles | None, motors: Sequence[Motor]) -> AtSpeed:
    if cycles is None:
        return AtSpeed(speed, None, None, ())
    load = demand(cycles, rotor_kg_m2=0.0)
    return AtSpeed(speed, cycles, load, tuple(_candidate(cycles, motor) for motor in motors))


def _candidate(cycles: Cycles, motor: Motor) -> Candidate:
    asked = demand(cycles, rotor_kg_m2=motor.rotor_inertia_kg_m2)
    hardest = float(cycles.rms_torques(motor.rotor_inertia_kg_m2).max())
    return Candidate(asked, hardest, criteria_of(cycles, motor, asked))
