"""What the feed axis demands of its motor at some line speeds, and which candidates meet it.

The motion is that of a simulated run, cut into its feed cycles: ramps, run and dwell with the
scenario's own spreads and ticks. Stops and planned faults are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from feedsim.answers.drive.study.motion import highest_speed, motion_at
from feedsim.answers.drive.study.results import (
    Candidate,
    CandidateAt,
    FeederSizing,
    Moving,
    RampInTime,
    RampInTravel,
    SizedFeeder,
)
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import demand
from feedsim.drivetrain.inertia import best_ratio, load_inertia, ratio_of, reflected_inertia
from feedsim.drivetrain.limits import (
    available_acceleration,
    criteria_of,
    friction_limited_acceleration,
    inertia_ratio,
    power_at_rated,
)
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import SAME_RATIO, Drive, Feeder, Machine, Motor
from feedsim.motion.ramps import ramp_demand
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario

CARRIERS = 100
"""Most carriers in the simulated motion; the warm-up comes before them."""

_TOLD = 0.2
"""Relative difference of rated power from rated torque times rated speed that is reported."""


def speeds_from(scenario: Scenario) -> tuple[float, ...]:
    """Return the speeds (mm/s) asked for: those of ``[sweep]`` if it has any, else the line's."""
    if "sweep" in scenario.model_fields_set and "speeds" in scenario.sweep.model_fields_set:
        return scenario.sweep.speeds_mm_s
    profile = [speed for _, speed in scenario.line.profile]
    return (max(profile, default=scenario.line.speed),)


def check(scenario: Scenario) -> list[int]:
    """Return the numbers of the feeders that have a drive.

    Raises FeedsimError if there are none, or a clutch closes or opens in a step, which no motor can
    follow.
    """
    numbers = [n for n, feeder in enumerate(scenario.feeder) if feeder.drive is not None]
    if not numbers:
        raise FeedsimError(
            Fault(
                "feeder.0.drive",
                message="the scenario has no drive; write [feeder.drive] with roller_diameter, "
                "its [[feeder.drive.roller]] and [[feeder.drive.reduction]], and candidates as "
                '[[feeder.drive.motor]] or motors = "file.csv"',
            )
        )
    faults = []
    for number in numbers:
        clutch = scenario.feeder[number].clutch
        for name, ramp in (("ramp_in", clutch.ramp_in), ("ramp_out", clutch.ramp_out)):
            if ramp == 0.0:
                key = f"feeder.{number}.clutch.{name}"
                needs = "is 0, a step of speed that no motor can follow; give a ramp of more than 0"
                faults.append(Fault(key, message=needs))
    if faults:
        raise FeedsimError(*faults)
    return numbers


def size(scenario: Scenario, speeds_mm_s: Sequence[float]) -> tuple[FeederSizing, ...]:
    """Size the drives of a scenario at some line speeds; raises as :func:`check`."""
    numbers = check(scenario)
    machine = machine_of(scenario)
    motions = {
        speed: motion_at(scenario, speed, carriers=CARRIERS) for speed in sorted(speeds_mm_s)
    }
    searched: dict[float, dict[int, Cycles | None]] = {}

    def of_feeder(number: int) -> FeederSizing:
        keys, feeder = scenario.feeder[number], machine.feeders[number]
        drive = feeder.drive
        assert drive is not None and keys.drive is not None  # noqa: S101, PT018 - as checked
        names = [motor.name for motor in keys.drive.motor]
        highest = [highest_speed(scenario, number, m, known=searched) for m in drive.motors]
        return FeederSizing(
            number=number,
            drive=drive,
            name=keys.name,
            chosen=names[drive.chosen] if drive.chosen >= 0 else None,
            max_acceleration_mm_s2=feeder.servo.max_acceleration_mm_s2,
            load_inertia_kg_m2=load_inertia(drive),
            reduction_ratio=ratio_of(drive),
            reflected_inertia_kg_m2=reflected_inertia(drive),
            friction_limited_acceleration_mm_s2=friction_limited_acceleration(drive),
            free_friction_limited_acceleration_mm_s2=friction_limited_acceleration(
                drive, pulling=False
            ),
            service_factor=drive.service_factor,
            allowed_inertia_ratio=drive.allowed_inertia_ratio,
            candidates=tuple(map(partial(_candidate, drive), names, drive.motors, highest)),
            speeds=tuple(
                _at_speed(machine, feeder, speed, motion[number], names)
                for speed, motion in motions.items()
            ),
        )

    return tuple(map(of_feeder, numbers))


def _candidate(drive: Drive, name: str, motor: Motor, highest: float | None) -> Candidate:
    by_torque = power_at_rated(motor)
    return Candidate(
        name=name,
        motor=motor,
        reflected_inertia_kg_m2=reflected_inertia(drive),
        inertia_ratio=inertia_ratio(drive, motor),
        best_reduction_ratio=best_ratio(load_inertia(drive), motor.rotor_inertia_kg_m2),
        available_acceleration_mm_s2=available_acceleration(drive, motor),
        power_at_rated_torque_and_speed_w=by_torque,
        power_does_not_fit=abs(by_torque / motor.rated_power_w - 1.0) > _TOLD,
        highest_line_speed_mm_s=highest,
        no_limit_found=highest is not None and math.isinf(highest),
    )


def _at_speed(
    machine: Machine, feeder: Feeder, speed: float, cycles: Cycles | None, names: Sequence[str]
) -> SizedFeeder:
    if cycles is None:
        return SizedFeeder(speed, 0, None, ())
    drive, most = cycles.drive, cycles.peak_acceleration_m_s2 * 1000.0
    friction = friction_limited_acceleration(drive)

    def candidate(name: str, motor: Motor) -> CandidateAt:
        asked = demand(cycles, rotor_kg_m2=motor.rotor_inertia_kg_m2)
        criteria = criteria_of(cycles, motor, asked)
        return CandidateAt(
            name=name,
            passes=not criteria.failing,
            demand=asked,
            hardest_cycle_rms_torque_n_m=float(cycles.rms_torques(motor.rotor_inertia_kg_m2).max()),
            criteria=criteria,
            reflected_inertia_kg_m2=reflected_inertia(drive),
            inertia_ratio=inertia_ratio(drive, motor),
            available_acceleration_mm_s2=available_acceleration(drive, motor),
            acceleration_reserve=available_acceleration(drive, motor) / most - 1.0,
            friction_limited_acceleration_mm_s2=friction,
        )

    moving = Moving(
        cycle_s=cycles.duration_s / cycles.count,
        moving_share=cycles.moving_share,
        peak_feed_speed_mm_s=float(cycles.integrals.fastest.max()) * 1000.0,
        peak_acceleration_mm_s2=most,
        friction_limited_acceleration_mm_s2=friction,
        insert_slips=None if friction is None else bool(most > friction * (1.0 + SAME_RATIO)),
        shortest_ramp=_shortest_ramp(feeder, speed / machine.encoder.scale, friction),
        load_alone=demand(cycles, rotor_kg_m2=0.0),
        stretches=cycles,
    )
    return SizedFeeder(speed, cycles.count, moving, tuple(map(candidate, names, drive.motors)))


def _shortest_ramp(
    feeder: Feeder, counted_mm_s: float, friction: float | None
) -> RampInTime | RampInTravel:
    """Return the shortest ramp that the insert follows: g·v/a as a time, g·v²/a as a travel."""
    travel = feeder.clutch.travel_ramp
    # a ramp of length 1 demands its length times the acceleration
    ratio = feeder.settings.speed_ratio
    demand = ramp_demand(counted_mm_s, 1.0, ratio=ratio, travel_ramp=travel)
    shortest = demand / friction if friction else None
    return RampInTravel(shortest) if travel else RampInTime(shortest)
