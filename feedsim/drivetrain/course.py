"""Speed and torque of a motor over time, for figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import RPM
from feedsim.drivetrain.law import shaft_per_metre


@dataclass(frozen=True, slots=True)
class Course:
    """Speed and torque of a motor over time, for drawing; arrays of equal length, 0 at rest."""

    time_s: Floats
    feed_speed_mm_s: Floats
    speed_rpm: Floats
    torque_n_m: Floats


def typical_cycle(cycles: Cycles, *, rotor_kg_m2: float) -> Cycles:
    """Return the cycle whose RMS torque is the median of all, with a rotor of this inertia."""
    order = np.argsort(cycles.rms_torques(rotor_kg_m2))
    return cycles.one(int(order[len(order) // 2]))


def course(cycles: Cycles, *, rotor_kg_m2: float) -> Course:
    """Return speed and torque over time, from the beginning of the first of some cycles."""
    k, i = shaft_per_metre(cycles.drive), cycles.integrals
    u, v, _ = cycles.samples
    torque = cycles.sampled_torques(rotor_kg_m2)
    start = np.array([s.start_s for s in cycles.stretches]) - cycles.begin_s[0]
    time = start[:, None] + i.time[:, None] * u
    columns: list[list[float]] = [[], [], []]
    at = 0.0
    for row in range(len(cycles.stretches)):
        if float(time[row, 0]) > at + 1e-9:  # a rest before it
            for t in (at, float(time[row, 0])):
                for column, value in zip(columns, (t, 0.0, 0.0), strict=True):
                    column.append(value)
        for column, values in zip(columns, (time[row], v[row], torque[row]), strict=True):
            column.extend(values.tolist())
        at = float(time[row, -1])
    if cycles.duration_s > at + 1e-9:
        for t in (at, cycles.duration_s):
            for column, value in zip(columns, (t, 0.0, 0.0), strict=True):
                column.append(value)
    times, speeds, torques = (np.array(column) for column in columns)
    return Course(times, speeds * 1000.0, speeds * k * RPM, torques)
