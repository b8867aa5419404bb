"""Moments of inertia: of cylinders, of the mechanism, and as the motor's shaft feels them.

Solid and hollow cylinder about their axis: J = m·(D² + d²)/8, m = ρ·π·(D² − d²)·L/4; a mass moving
at the rim of a roller of radius R: m·R²; through a reduction n: J/n². Any handbook of mechanical
engineering; reflected inertia in Budynas and Nisbett, Shigley's Mechanical Engineering Design,
ch. 16.
"""

from __future__ import annotations

import math

from feedsim.machine import Drive, Roller

_M = 1e-3  # of a mm


def cylinder_mass(
    diameter_mm: float, length_mm: float, *, density_kg_m3: float, bore_mm: float = 0.0
) -> float:
    """Return the mass (kg) of a cylinder, hollow if it has a bore."""
    area = math.pi / 4.0 * (diameter_mm**2 - bore_mm**2) * _M**2
    return density_kg_m3 * area * length_mm * _M


def cylinder_inertia(
    diameter_mm: float, length_mm: float, *, density_kg_m3: float, bore_mm: float = 0.0
) -> float:
    """Return the moment of inertia (kg·m²) of a cylinder about its axis.

    m·(r² + r_bore²)/2, any text on mechanics.

    >>> f"{cylinder_inertia(30.0, 100.0, density_kg_m3=7850.0):.6e}"
    '6.242443e-05'
    """
    mass = cylinder_mass(diameter_mm, length_mm, density_kg_m3=density_kg_m3, bore_mm=bore_mm)
    return mass * (diameter_mm**2 + bore_mm**2) * _M**2 / 8.0


def roller_inertia(roller: Roller) -> float:
    """Return the moment of inertia (kg·m²) of one roller about its own axis."""
    return roller.inertia_kg_m2 or cylinder_inertia(
        roller.diameter_mm,
        roller.length_mm,
        density_kg_m3=roller.density_kg_m3,
        bore_mm=roller.bore_mm,
    )


def roller_radius_m(drive: Drive) -> float:
    """Return the radius of the feed roller (m)."""
    return 0.5e-3 * drive.roller_diameter_mm


def load_inertia(drive: Drive) -> float:
    """Return the inertia (kg·m²) of all moving parts at the feed roller's shaft.

    A roller of another diameter turns faster or slower by the ratio q of the diameters, and
    counts q² times (energy at one speed, any text on drives).
    """
    total = drive.moving_mass_kg * roller_radius_m(drive) ** 2
    for roller in drive.rollers:
        faster = drive.roller_diameter_mm / roller.diameter_mm if roller.diameter_mm else 1.0
        total += roller.count * roller_inertia(roller) * faster**2
    return total


def ratio_of(drive: Drive) -> float:
    """Return the motor's turns per turn of the feed roller."""
    return math.prod(stage.ratio for stage in drive.reductions)


def reflected_inertia(drive: Drive) -> float:
    """Return the inertia (kg·m²) of all but the rotor at the motor's shaft."""
    inertia = load_inertia(drive)
    for stage in reversed(drive.reductions):
        inertia = inertia / stage.ratio**2 + stage.inertia_kg_m2
    return inertia


def best_ratio(load_kg_m2: float, rotor_kg_m2: float) -> float:
    """Return the ratio at which a rotor gives its load the largest acceleration: √(J_L/J_m).

    For a load without friction and a reduction without inertia; any text on drives.
    """
    return math.sqrt(load_kg_m2 / rotor_kg_m2)
