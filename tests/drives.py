"""Drives for tests, built from numbers, and feed motions cut into cycles."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

from feedsim.drivetrain.cycles import Cycles, cycles_of
from feedsim.drivetrain.law import branch_at, shaft_per_metre, torque_law
from feedsim.drivetrain.stretches import cut_cycle
from feedsim.machine import Drive, Motor, Reduction, Roller, Servo
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp

UNIT_ROLLER_MM = 2000.0
"""Diameter of a roller with a radius of 1 m: there torque and force, turn and travel are one."""


def unit_drive(**changes: object) -> Drive:
    """Return an inertia of 1 kg·m² on a roller of 1 m: a torque of 1 N·m for 1 m/s²."""
    base = Drive(UNIT_ROLLER_MM, rollers=(Roller(inertia_kg_m2=1.0),))
    return replace(base, **changes)  # type: ignore[arg-type]


def drive(**changes: object) -> Drive:
    """Return a mechanism with everything in it, invented."""
    base = Drive(
        roller_diameter_mm=40.0,
        rollers=(
            Roller(diameter_mm=40.0, length_mm=120.0, density_kg_m3=7850.0),
            Roller(diameter_mm=50.0, bore_mm=40.0, length_mm=160.0, density_kg_m3=2700.0, count=2),
            Roller(inertia_kg_m2=4e-5),
        ),
        moving_mass_kg=0.36,
        insert_mass_kg=0.005,
        reductions=(Reduction(3.0, 0.9, 1.5e-5), Reduction(1.5, 0.95, 4e-5)),
        friction_torque_n_m=0.1,
        pull_off_force_n=3.0,
        pull_off_travel_mm=85.6,
        friction_coefficient=0.6,
        normal_force_n=8.0,
        service_factor=1.2,
        allowed_inertia_ratio=10.0,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def motor(**changes: object) -> Motor:
    """Return an invented candidate."""
    base = Motor(
        rated_torque_n_m=1.27,
        peak_torque_n_m=3.8,
        rated_speed_rpm=3000.0,
        max_speed_rpm=6000.0,
        rotor_inertia_kg_m2=3.2e-5,
        rated_power_w=400.0,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def feed_of(
    begins_s: list[float],
    *,
    speed_mm_s: float,
    open_after_s: float,
    ramp: Ramp,
    servo: Servo | None = None,
    belt: BeltMotion | None = None,
) -> FeedMotion:
    """Return a feed that engages at each instant and opens so much later, both with a ramp."""
    feed = FeedMotion(
        belt or BeltMotion([BeltPiece(0.0, 0.0, speed_mm_s, 0.0)]),
        scale_error=0.0,
        ratio=1.0,
        servo=servo or Servo(),
    )
    for begin in begins_s:
        feed.engage(begin, ramp)
        feed.open(begin + open_after_s, ramp)
    return feed


def cut(feed: FeedMotion, of: Drive, begins_s: list[float], *, gain: float = math.inf) -> Cycles:
    """Cut a feed's motion into the cycles between these instants."""
    feed.position(begins_s[-1])
    return cycles_of(
        of,
        [
            cut_cycle(feed.pieces, of, gain=gain, begin_s=begin, end_s=end)
            for begin, end in pairwise(begins_s)
        ],
        begin_s=begins_s,
    )


def torque_of(
    drive: Drive, acceleration_m_s2: float, *, rotor_kg_m2: float, pulling: bool = False
) -> float:
    """Return the motor's torque (N·m) at one acceleration (m/s²) of the moving feed."""
    law = torque_law(drive, pulling=pulling)
    branch = law[branch_at(law, acceleration_m_s2)]
    slope = branch.slope_n_m_s2_m + rotor_kg_m2 * shaft_per_metre(drive)
    return slope * acceleration_m_s2 + branch.offset_n_m
