"""Limits of a motor and of the inserts, and the margin of a demand to both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import RPM, Demand
from feedsim.drivetrain.inertia import reflected_inertia
from feedsim.drivetrain.law import rotor_slope, shaft_per_metre, torque_law
from feedsim.machine import Drive, Motor


@dataclass(frozen=True, slots=True)
class Criterion:
    """One of the criteria, in its unit; the requirement includes the service factor.

    ``available``, ``required``: in the unit of the criterion; what is required includes the service
    factor.
    ``margin``: excess of available over required, a share of the required; None if nothing is
    required.
    """

    required: float
    available: float
    margin: float | None  # excess, a share of the required; None if nothing is required
    met: bool


@dataclass(frozen=True, slots=True)
class MotorCriteria:
    """The criteria for a motor."""

    peak_torque: Criterion
    rms_torque: Criterion
    speed: Criterion
    inertia_ratio: Criterion
    duty: Criterion

    @property
    def each(self) -> dict[str, Criterion]:
        """Each of them by its name in words."""
        return {
            "peak torque": self.peak_torque,
            "RMS torque": self.rms_torque,
            "speed": self.speed,
            "inertia ratio": self.inertia_ratio,
            "duty": self.duty,
        }

    @property
    def failing(self) -> list[str]:
        """Those that are not met, in words."""
        return [name for name, one in self.each.items() if not one.met]


def power_at_rated(motor: Motor) -> float:
    """Return the power (W) of the rated torque at the rated speed, T·ω, by definition."""
    return motor.rated_torque_n_m * motor.rated_speed_rpm / RPM


def continuous_torque(motor: Motor, speed_rpm: Floats) -> Floats:
    """Return the continuous torque (N·m) of a motor at some speeds.

    Rated torque, and beyond the rated speed no more than the rated power; both times the
    over-temperature factor; nothing beyond the highest speed. Common practice where the maker
    gives no curve.
    """
    hot = motor.over_temperature_factor
    by_power = motor.rated_power_w / np.maximum(speed_rpm / RPM, 1e-9)
    limit = np.where(
        speed_rpm <= motor.rated_speed_rpm,
        motor.rated_torque_n_m,
        np.minimum(motor.rated_torque_n_m, by_power),
    )
    return np.where(speed_rpm <= motor.max_speed_rpm * (1.0 + 1e-12), hot * limit, 0.0)


def short_time_torque(motor: Motor, speed_rpm: Floats) -> Floats:
    """Return the short-time torque (N·m) of a motor at some speeds.

    Peak torque up to the rated speed, then straight down to its continuous torque at its
    highest speed; nothing beyond. Common practice where the maker gives no curve.
    """
    rated, most, peak = motor.rated_speed_rpm, motor.max_speed_rpm, motor.peak_torque_n_m
    last = float(continuous_torque(motor, np.array([most]))[0])
    if most > rated:
        beyond = np.clip((speed_rpm - rated) / (most - rated), 0.0, 1.0)
        limit = peak + (last - peak) * beyond
    else:
        limit = np.full_like(speed_rpm, peak)
    return np.where(speed_rpm <= most * (1.0 + 1e-12), limit, 0.0)


def available_acceleration(drive: Drive, motor: Motor) -> float:
    """Return the largest feed acceleration (mm/s²) that a motor's peak torque gives.

    The torque left after friction, and the magazine if it ever holds an insert back, through the
    reductions, over the total inertia. 0 if friction and magazine take it all; infinity if there is
    no inertia.
    """
    pulling = drive.pull_off_force_n > 0.0 and drive.pull_off_travel_mm > 0.0
    branch = torque_law(drive, pulling=pulling)[-1]
    slope = branch.slope_n_m_s2_m + rotor_slope(drive, motor.rotor_inertia_kg_m2)
    left = motor.peak_torque_n_m - branch.offset_n_m
    return max(0.0, left / slope) * 1000.0


def friction_limited_acceleration(drive: Drive, *, pulling: bool | None = None) -> float | None:
    """Return the largest acceleration (mm/s²) at which an insert does not slip.

    No slip while m·a + pull-off force ≤ µ·N (Coulomb); with N = m·g and no pull-off, a ≤ µ·g
    (any text on mechanics). ``pulling``: the magazine holds it back; by default, if it ever does. 0
    if friction cannot even pull it off; None if friction is unknown.
    """
    if not (drive.friction_coefficient and drive.normal_force_n and drive.insert_mass_kg):
        return None
    if pulling is None:
        pulling = drive.pull_off_travel_mm > 0.0
    left = drive.friction_coefficient * drive.normal_force_n
    left -= drive.pull_off_force_n if pulling else 0.0
    return max(0.0, left / drive.insert_mass_kg) * 1000.0


def inertia_ratio(drive: Drive, motor: Motor) -> float:
    """Return the reflected inertia as a multiple of the rotor's."""
    return reflected_inertia(drive) / motor.rotor_inertia_kg_m2


def criteria_of(cycles: Cycles, motor: Motor, asked: Demand) -> MotorCriteria:
    """Compare a motor with the demand of some cycles, as asked of it with its own rotor.

    Peak torque at every point of the cycles against the short-time limit at that speed, RMS torque
    against the continuous limit at the mean speed, highest speed, inertia ratio, and RMS power
    against rated power (duty).
    """
    drive = cycles.drive
    factor, hot = drive.service_factor, motor.over_temperature_factor
    mean = np.array([asked.mean_speed_rpm])
    rms_limit = float(continuous_torque(motor, mean)[0])
    return MotorCriteria(
        peak_torque=_peak(cycles, motor, asked),
        rms_torque=_criterion(factor * asked.rms_torque_n_m, rms_limit),
        speed=_criterion(asked.peak_speed_rpm, motor.max_speed_rpm),
        inertia_ratio=_criterion(inertia_ratio(drive, motor), drive.allowed_inertia_ratio),
        duty=_criterion(factor * asked.rms_power_w, hot * motor.rated_power_w),
    )


def _criterion(required: float, available: float) -> Criterion:
    margin = available / required - 1.0 if required > 0.0 else None
    return Criterion(required, available, margin, required <= available * (1.0 + 1e-12))


def _peak(cycles: Cycles, motor: Motor, asked: Demand) -> Criterion:
    """Find the point of the cycles that comes nearest to the short-time limit."""
    k, v = shaft_per_metre(cycles.drive), cycles.samples[1]
    asked_n_m = cycles.sampled_torques(motor.rotor_inertia_kg_m2)
    torque = np.abs(asked_n_m) * cycles.drive.service_factor
    # beyond the highest speed there is no torque; the speed criterion reports that
    limit = short_time_torque(motor, np.minimum(v * k * RPM, motor.max_speed_rpm))
    worst = np.unravel_index(int((torque / limit).argmax()), torque.shape)
    required, available = float(torque[worst]), float(limit[worst])
    flat = cycles.drive.service_factor * asked.peak_torque_n_m
    if flat / motor.peak_torque_n_m > required / available:  # between two samples
        required, available = flat, motor.peak_torque_n_m
    return _criterion(required, available)
