"""The drive train of a feeder in numbers, and its candidate motors."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Roller:
    """A roller, or any rotating part, whose rim runs at feed speed.

    ``diameter_mm`` 0: it turns with the feed roller. With ``inertia_kg_m2`` above 0 that is its
    inertia; else it is a cylinder of this length and density, hollow where ``bore_mm`` is above 0.
    """

    diameter_mm: float = 0.0
    bore_mm: float = 0.0
    length_mm: float = 0.0
    density_kg_m3: float = 0.0
    inertia_kg_m2: float = 0.0
    count: int = 1


@dataclass(frozen=True, slots=True)
class Reduction:
    """A stage between motor and roller: ``ratio`` turns of its input to one of its output.

    ``efficiency``: output power over input power, either way.
    ``inertia_kg_m2``: of the stage, at its input.
    """

    ratio: float
    efficiency: float = 1.0
    inertia_kg_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class Motor:
    """A candidate. ``over_temperature_factor``: share of rated torque and power left when hot."""

    rated_torque_n_m: float
    peak_torque_n_m: float
    rated_speed_rpm: float
    max_speed_rpm: float
    rotor_inertia_kg_m2: float
    rated_power_w: float
    over_temperature_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Drive:
    """The drive train between motor and inserts, and the candidate motors.

    ``roller_diameter_mm``: of the roller that moves the inserts, at the feed surface.
    ``moving_mass_kg``: belts and inserts: what moves at feed speed.
    ``insert_mass_kg``: of one insert, moved by friction.
    ``reductions``: from the motor to the roller; none: the motor sits on the roller's shaft.
    ``friction_torque_n_m``: at the roller's shaft, while it turns.
    ``pull_off_force_n``, ``pull_off_from_mm``, ``pull_off_travel_mm``: force with which the
    magazine holds the next insert back, and the feed travel of a cycle over which it acts.
    ``friction_coefficient``, ``normal_force_n``: between feed surface and insert; 0: not known.
    ``service_factor``, ``allowed_inertia_ratio``: by common practice.
    ``chosen``: number of one of them; -1 for none.
    """

    roller_diameter_mm: float
    rollers: tuple[Roller, ...] = ()
    moving_mass_kg: float = 0.0
    insert_mass_kg: float = 0.0
    reductions: tuple[Reduction, ...] = ()
    friction_torque_n_m: float = 0.0
    pull_off_force_n: float = 0.0
    pull_off_from_mm: float = 0.0
    pull_off_travel_mm: float = 0.0
    friction_coefficient: float = 0.0
    normal_force_n: float = 0.0
    service_factor: float = 1.0
    allowed_inertia_ratio: float = float("inf")
    motors: tuple[Motor, ...] = ()
    chosen: int = -1
