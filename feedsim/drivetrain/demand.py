"""Demand of a motion on one motor: torques, speeds, powers and energies over whole cycles.

On a stretch the torque is a straight line over the acceleration, T = A·a + B, and the shaft turns
with ω = k·v. So ∫T² = A²·∫a² + 2AB·Δv + B²·Δt, the work is k·(A·Δv²/2 + B·Δx), and
∫(T·ω)² = k²·(A²·∫a²v² + 2AB·Δv³/3 + B²·∫v²), all in closed form. At rest the motor gives nothing.
RMS over a cycle: any textbook on electric drives (method of the equivalent torque; it needs a
cycle that is short against the motor's thermal time constant, IEC 60034-1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from feedsim.arrays import Floats
from feedsim.drivetrain.cycles import SAMPLES, Cycles
from feedsim.drivetrain.inertia import reflected_inertia, roller_radius_m
from feedsim.drivetrain.law import shaft_per_metre
from feedsim.drivetrain.waves import crossings

RPM = 30.0 / math.pi
"""Turns a minute in 1 rad/s."""


@dataclass(frozen=True, slots=True)
class Demand:
    """The demand of some cycles on a motor.

    Energies (J) are means of a cycle, and say where the motor's work went: ``work_j`` = the sum
    of the four that follow. ``kinetic_energy_j``: more at the end than at the beginning.
    ``friction_energy_j``: friction torque, and what little the feed still has when it comes to
    rest. ``pull_off_energy_j``: against the magazine. ``reduction_loss_j``: lost in the
    reductions. ``regenerated_energy_j``: part of the work that came back (0 or more), counted
    negative in ``work_j``.
    """

    peak_torque_n_m: float
    rms_torque_n_m: float
    peak_speed_rpm: float
    mean_speed_rpm: float
    peak_power_w: float
    mean_power_w: float
    rms_power_w: float
    work_j: float
    kinetic_energy_j: float
    friction_energy_j: float
    pull_off_energy_j: float
    reduction_loss_j: float
    regenerated_energy_j: float


def demand(cycles: Cycles, *, rotor_kg_m2: float) -> Demand:
    """Return the demand of the cycles, with a stretch at least, on a motor.

    ``rotor_kg_m2``: inertia of the rotor; 0 for the load alone.
    """
    k, i, seconds = shaft_per_metre(cycles.drive), cycles.integrals, cycles.duration_s
    slope, offset = cycles.slopes(rotor_kg_m2), i.offset_n_m
    dv3 = (i.v1**3 - i.v0**3) / 3.0
    torque2 = cycles.squared_torques(rotor_kg_m2)
    power2 = k * k * (slope**2 * i.a2v2 + 2.0 * slope * offset * dv3 + offset**2 * i.v2)
    work = k * (slope * 0.5 * (i.v1**2 - i.v0**2) + offset * i.travel)
    largest = np.maximum(np.abs(slope * i.lowest + offset), np.abs(slope * i.highest + offset))
    energy = _energy(cycles, rotor_kg_m2, work=work, slope=slope)
    return Demand(
        peak_torque_n_m=float(largest.max()),
        rms_torque_n_m=math.sqrt(max(0.0, float(torque2.sum())) / seconds),
        peak_speed_rpm=float(i.fastest.max()) * k * RPM,
        mean_speed_rpm=float(i.travel.sum()) / seconds * k * RPM,
        peak_power_w=_peak_power(cycles, rotor_kg_m2),
        mean_power_w=float(work.sum()) / seconds,
        rms_power_w=math.sqrt(max(0.0, float(power2.sum())) / seconds),
        **{name: joules / cycles.count for name, joules in energy.items()},
    )


def _energy(cycles: Cycles, rotor_kg_m2: float, *, work: Floats, slope: Floats) -> dict[str, float]:
    """Account for the motor's work over all cycles, term by term, each from its own cause."""
    drive, i, k = cycles.drive, cycles.integrals, shaft_per_metre(cycles.drive)
    half = 0.5 * (reflected_inertia(drive) + rotor_kg_m2) * k * k
    v0, v1, travel = i.v0, i.v1, i.travel
    ends = np.array([s.to_rest for s in cycles.stretches])
    begins = np.concatenate(([True], ends[:-1]))  # after a rest, or at the very beginning
    at_rest_after = bool(ends[-1])
    at_begin, at_end = float(v0[0]), 0.0 if at_rest_after else float(v1[-1])
    left = half * (float((v1[ends] ** 2).sum()) - float((v0[begins][1:] ** 2).sum()))
    friction_n = drive.friction_torque_n_m / roller_radius_m(drive)
    pulling = np.array([s.pulling for s in cycles.stretches])
    loss = i.loss_slope_kg * 0.5 * (v1**2 - v0**2) + i.loss_offset_n * travel
    return {
        "work_j": float(work.sum()),
        "kinetic_energy_j": half * (at_end**2 - at_begin**2),
        "friction_energy_j": friction_n * float(travel.sum()) + left,
        "pull_off_energy_j": drive.pull_off_force_n * float(travel[pulling].sum()),
        "reduction_loss_j": float(loss.sum()),
        "regenerated_energy_j": _regenerated(cycles, slope, k=k, work=work),
    }


def _regenerated(cycles: Cycles, slope: Floats, *, k: float, work: Floats) -> float:
    """Return the work that flows back into the motor (J, 0 or more)."""
    i = cycles.integrals
    offset = i.offset_n_m
    low, high = slope * i.lowest + offset, slope * i.highest + offset
    back = -float(work[high <= 0.0].sum())
    for row in np.flatnonzero((low < 0.0) & (high > 0.0)):
        stretch = cycles.stretches[row]
        wave, x = stretch.acceleration_m_s2, stretch.decay
        places = [0.0, *crossings(wave, x, -float(offset[row] / slope[row])), 1.0]
        for u0, u1 in pairwise(places):
            torque = slope[row] * stretch.acceleration(0.5 * (u0 + u1)) + offset[row]
            if torque < 0.0:
                change = stretch.speed(u1) ** 2 - stretch.speed(u0) ** 2
                travel = stretch.travel(u1) - stretch.travel(u0)
                back -= k * float(slope[row] * 0.5 * change + offset[row] * travel)
    return max(0.0, back)


def _peak_power(cycles: Cycles, rotor_kg_m2: float) -> float:
    """Return the largest power either way (W): the largest sample, refined beside it."""
    shares, v, _ = cycles.samples
    k, offset = shaft_per_metre(cycles.drive), cycles.integrals.offset_n_m
    power, slope = np.abs(cycles.sampled_torques(rotor_kg_m2) * v) * k, cycles.slopes(rotor_kg_m2)
    row, place = np.unravel_index(int(power.argmax()), power.shape)
    stretch = cycles.stretches[row]

    def at(u: float) -> float:
        torque = slope[row] * stretch.acceleration(u) + offset[row]
        return abs(float(torque) * stretch.speed(u)) * k

    near = int(place)
    low = float(shares[row, max(0, near - 1)])
    high = float(shares[row, min(SAMPLES - 1, near + 1)])
    for _ in range(60):  # a single hump: by thirds
        third = (high - low) / 3.0
        if at(low + third) < at(high - third):
            low += third
        else:
            high -= third
    return max(float(power.max()), at(0.5 * (low + high)))
