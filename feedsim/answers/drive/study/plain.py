"""Drive sizing as plain data: what ``drive.json`` holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim import __version__
from feedsim.answers.drive.study.sizing import AtSpeed, Candidate, Sizing
from feedsim.drivetrain.inertia import best_ratio, load_inertia, ratio_of, reflected_inertia
from feedsim.drivetrain.limits import (
    available_acceleration,
    friction_limited_acceleration,
    inertia_ratio,
)
from feedsim.machine import Drive, Feeder, Machine, Motor
from feedsim.metrics.plain import Plain, plain
from feedsim.scenario import Scenario, scenario_to_dict

__all__ = ["drive_of", "drive_plain"]

_TOLD = 0.2
"""Rated power and rated torque times rated speed that differ by more are worth a word."""


def drive_of(feeder: Feeder) -> Drive:
    """Return the drive of a feeder that has one."""
    if feeder.drive is None:
        raise ValueError("nothing is told of this feeder's drive")
    return feeder.drive


def drive_plain(scenario: Scenario, sizings: Sequence[Sizing]) -> dict[str, Plain]:
    """Return the sizing of every drive, units in the names, None where there is no figure."""
    return {
        "feedsim": __version__,
        "title": scenario.title,
        "seed": scenario.seed,
        "line_speed_mm_s": scenario.line.speed,
        "feeders": [_feeder(scenario, sizing) for sizing in sizings],
        "scenario": scenario_to_dict(scenario),
    }


def _feeder(scenario: Scenario, sizing: Sizing) -> dict[str, Plain]:
    keys = scenario.feeder[sizing.number]
    feeder = sizing.machine.feeders[sizing.number]
    drive = drive_of(feeder)
    names = [motor.name for motor in keys.drive.motor] if keys.drive else []
    friction = friction_limited_acceleration(drive)
    return {
        "name": keys.name,
        "chosen": names[drive.chosen] if drive.chosen >= 0 else None,
        "max_acceleration_mm_s2": plain(feeder.servo.max_acceleration_mm_s2),
        "load_inertia_kg_m2": load_inertia(drive),
        "reduction_ratio": ratio_of(drive),
        "reflected_inertia_kg_m2": reflected_inertia(drive),
        "friction_limited_acceleration_mm_s2": plain(friction),
        "free_friction_limited_acceleration_mm_s2": plain(
            friction_limited_acceleration(drive, pulling=False)
        ),
        "service_factor": drive.service_factor,
        "allowed_inertia_ratio": plain(drive.allowed_inertia_ratio),
        "candidates": [
            {
                "name": name,
                **_motor(drive, motor),
                "highest_line_speed_mm_s": plain(highest),
                "no_limit_found": highest is not None and math.isinf(highest),
            }
            for name, motor, highest in zip(names, drive.motors, sizing.highest_mm_s, strict=True)
        ],
        "speeds": [_point(point, sizing.machine, feeder, names=names) for point in sizing.points],
    }


def _motor(drive: Drive, motor: Motor) -> dict[str, Plain]:
    by_torque = motor.rated_torque_n_m * motor.rated_speed_rpm * math.pi / 30.0
    load = load_inertia(drive)
    return {
        **{name: plain(getattr(motor, name)) for name in Motor.__slots__},
        "reflected_inertia_kg_m2": reflected_inertia(drive),
        "inertia_ratio": inertia_ratio(drive, motor),
        "best_reduction_ratio": best_ratio(load, motor.rotor_inertia_kg_m2),
        "available_acceleration_mm_s2": plain(available_acceleration(drive, motor)),
        "power_at_rated_torque_and_speed_w": by_torque,
        "power_does_not_fit": abs(by_torque / motor.rated_power_w - 1.0) > _TOLD,
    }


def _point(
    point: AtSpeed, machine: Machine, feeder: Feeder, *, names: Sequence[str]
) -> dict[str, Plain]:
    drive = drive_of(feeder)
    cycles = point.cycles
    if cycles is None or point.load is None:
        return {"line_speed_mm_s": point.speed_mm_s, "cycles": 0, "candidates": []}
    count = len(cycles.begin_s) - 1
    most = cycles.peak_acceleration_m_s2 * 1000.0
    friction = friction_limited_acceleration(drive)
    counted = point.speed_mm_s / (1.0 + machine.encoder.scale_error)
    return {
        "line_speed_mm_s": point.speed_mm_s,
        "cycles": count,
        "cycle_s": cycles.duration_s / count,
        "moving_share": cycles.moving_share,
        "peak_feed_speed_mm_s": float(cycles.integrals["fastest"].max()) * 1000.0,
        "peak_acceleration_mm_s2": most,
        "friction_limited_acceleration_mm_s2": friction,
        "insert_slips": None if friction is None else bool(most > friction * (1.0 + 1e-9)),
        **_shortest_ramp(feeder, counted, friction),
        "load_alone": _figures(point.load, count),
        "candidates": [
            {
                "name": name,
                **_candidate(candidate, count),
                "reflected_inertia_kg_m2": reflected_inertia(drive),
                "inertia_ratio": inertia_ratio(drive, motor),
                "available_acceleration_mm_s2": plain(available_acceleration(drive, motor)),
                "acceleration_reserve": plain(available_acceleration(drive, motor) / most - 1.0),
                "friction_limited_acceleration_mm_s2": friction,
            }
            for name, motor, candidate in zip(names, drive.motors, point.candidates, strict=True)
        ],
    }


def _shortest_ramp(feeder: Feeder, counted: float, friction: float | None) -> dict[str, Plain]:
    """Return the shortest ramp that the insert follows: g·v/a as a time, g·v²/a as a travel."""
    settings, travel = feeder.settings, feeder.clutch.travel_ramp
    name = "shortest_ramp_mm" if travel else "shortest_ramp_s"
    if not friction:
        return {name: None}
    wanted = settings.speed_ratio * counted * (counted if travel else 1.0)
    return {name: wanted / friction}


def _candidate(candidate: Candidate, count: int) -> dict[str, Plain]:
    return {
        "passes": candidate.passes,
        **_figures(candidate.demand, count),
        "hardest_cycle_rms_torque_n_m": candidate.hardest_rms_n_m,
        "criteria": {
            criterion.name.lower().replace(" ", "_"): {
                "required": criterion.required,
                "available": plain(criterion.available),
                "margin": plain(criterion.margin),
                "met": criterion.met,
            }
            for criterion in candidate.criteria
        },
    }


def _figures(demand: object, count: int) -> dict[str, Plain]:
    """Return a demand, its energies as those of one cycle."""
    figures = plain(demand)
    assert isinstance(figures, dict)  # noqa: S101 - for the type checker
    energy = figures.pop("energy")
    assert isinstance(energy, dict)  # noqa: S101 - likewise
    names = {
        "motor_j": "work_j",
        "kinetic_j": "kinetic_energy_j",
        "friction_j": "friction_energy_j",
        "pull_off_j": "pull_off_energy_j",
        "reduction_j": "reduction_loss_j",
        "regenerated_j": "regenerated_energy_j",
    }
    for name, long in names.items():
        value = energy[name]
        figures[long] = float(value) / count if isinstance(value, float) else None
    return figures
