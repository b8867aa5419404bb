"""Feed cycles in a row with every integral of their motion that any motor needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.drivetrain.law import rotor_slope
from feedsim.drivetrain.stretches import Stretch
from feedsim.drivetrain.waves import crossings, product, turns, value_of, whole
from feedsim.machine import Drive

SAMPLES = 33
"""Samples in each stretch, for curves and the search for peaks."""

_DECAYED = 6.0  # time constants


class Integrals(NamedTuple):
    """What any motor needs of each stretch, with the terms of its branch; arrays, a value each.

    ``time`` (s), ``travel`` (m). ``v0``, ``v1``: speed at its ends (m/s). ``a2``, ``v2``, ``a2v2``:
    integrals over time of a², v², (a·v)² (feedsim/MODEL.md, 15). ``lowest``, ``highest``:
    acceleration (m/s²); ``fastest``: speed (m/s).
    """

    time: Floats
    travel: Floats
    v0: Floats
    v1: Floats
    a2: Floats
    v2: Floats
    a2v2: Floats
    lowest: Floats
    highest: Floats
    fastest: Floats
    slope_n_m_s2_m: Floats
    offset_n_m: Floats
    loss_slope_kg: Floats
    loss_offset_n: Floats


@dataclass(frozen=True, slots=True)
class Cycles:
    """Successive feed cycles, cut into stretches, with all integrals that any motor needs.

    ``samples``: elapsed share of the stretch, speed (m/s) and acceleration (m/s²), each of shape
    (stretches, samples).
    """

    drive: Drive
    stretches: tuple[Stretch, ...]
    begin_s: tuple[float, ...]  # when each cycle begins, and the last one's end
    first: tuple[int, ...]  # number of each cycle's first stretch, and the number of stretches
    integrals: Integrals
    samples: tuple[Floats, Floats, Floats]

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.begin_s) - 1

    @property
    def duration_s(self) -> float:
        """From the first cycle's beginning to the last one's end."""
        return self.begin_s[-1] - self.begin_s[0]

    def one(self, number: int) -> Cycles:
        """Return one of the cycles alone."""
        part = slice(self.first[number], self.first[number + 1])
        return Cycles(
            self.drive,
            self.stretches[part],
            self.begin_s[number : number + 2],
            (0, part.stop - part.start),
            Integrals(*(values[part] for values in self.integrals)),
            (self.samples[0][part], self.samples[1][part], self.samples[2][part]),
        )

    def slopes(self, rotor_kg_m2: float) -> Floats:
        """Return the torque per acceleration of the feed on each stretch (MODEL.md, section 15)."""
        return self.integrals.slope_n_m_s2_m + rotor_slope(self.drive, rotor_kg_m2)

    def sampled_torques(self, rotor_kg_m2: float) -> Floats:
        """Return the motor's torque (N·m) at the samples, shape (stretches, samples)."""
        offset = self.integrals.offset_n_m
        return self.slopes(rotor_kg_m2)[:, None] * self.samples[2] + offset[:, None]

    def squared_torques(self, rotor_kg_m2: float) -> Floats:
        """Return ∫T² dt of each stretch (N²·m²·s) with a rotor's inertia (kg·m²).

        T = slope·a + offset on a stretch (feedsim/MODEL.md, section 15).
        """
        i, slope = self.integrals, self.slopes(rotor_kg_m2)
        offset, dv = i.offset_n_m, i.v1 - i.v0
        squares: Floats = slope**2 * i.a2 + 2.0 * slope * offset * dv + offset**2 * i.time
        return squares

    def rms_torques(self, rotor_kg_m2: float) -> Floats:
        """Return each cycle's RMS torque (N·m) with a rotor's inertia (kg·m²)."""
        squares = self.squared_torques(rotor_kg_m2)
        before = np.concatenate(([0.0], np.cumsum(squares)))[list(self.first)]
        rms: Floats = np.sqrt(np.maximum(0.0, np.diff(before)) / np.diff(self.begin_s))
        return rms

    @property
    def peak_acceleration_m_s2(self) -> float:
        """The largest acceleration of the feed, either way (m/s²)."""
        low, high = self.integrals.lowest, self.integrals.highest
        return float(max(np.abs(low).max(initial=0.0), np.abs(high).max(initial=0.0)))

    @property
    def moving_share(self) -> float:
        """Share of the time in which the feed moves."""
        return float(self.integrals.time.sum()) / self.duration_s


def cycles_of(
    drive: Drive, cut: Sequence[Sequence[Stretch]], *, begin_s: Sequence[float]
) -> Cycles:
    """Work out the integrals of some cycles.

    ``cut``: each as :func:`~feedsim.drivetrain.stretches.cut_cycle` cuts it; ``begin_s``: when each
    begins, and the last one's end.
    """
    stretches = tuple(stretch for cycle in cut for stretch in cycle)
    rows = [_integrals(stretch) for stretch in stretches]
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), len(Integrals._fields)).T
    first = np.cumsum([0, *(len(cycle) for cycle in cut)])
    return Cycles(
        drive,
        stretches,
        tuple(begin_s),
        tuple(int(place) for place in first),
        Integrals(*columns),
        _sampled(stretches),
    )


def _integrals(stretch: Stretch) -> tuple[float, ...]:
    v, a, x, length = (
        stretch.speed_m_s,
        stretch.acceleration_m_s2,
        stretch.decay,
        stretch.length_s,
    )
    av = product(a, v)
    ends = [0.0, *turns(a, x), 1.0]
    accelerations = [value_of(a, x, u) for u in ends]
    return (
        length,
        stretch.end_m - stretch.start_m,
        stretch.speed(0.0),
        stretch.speed(1.0),
        length * whole(product(a, a), x),
        length * whole(product(v, v), x),
        length * whole(product(av, av), x),
        min(accelerations),
        max(accelerations),
        max(stretch.speed(u) for u in (0.0, *crossings(a, x, 0.0), 1.0)),
        stretch.branch.slope_n_m_s2_m,
        stretch.branch.offset_n_m,
        stretch.branch.loss_slope_kg,
        stretch.branch.loss_offset_n,
    )


def _sampled(stretches: Sequence[Stretch]) -> tuple[Floats, Floats, Floats]:
    """Sample speed and acceleration, half of it where an exponential decays."""
    even = np.linspace(0.0, 1.0, SAMPLES)
    shares = np.tile(even, (len(stretches), 1))
    speeds, accelerations = np.zeros_like(shares), np.zeros_like(shares)
    for row, stretch in enumerate(stretches):
        if stretch.decay > _DECAYED:
            half = SAMPLES // 2
            near = np.linspace(0.0, _DECAYED / stretch.decay, half, endpoint=False)
            shares[row] = np.concatenate(
                (near, np.linspace(_DECAYED / stretch.decay, 1.0, SAMPLES - half))
            )
        u = shares[row]
        for wave, into in (
            (stretch.speed_m_s, speeds),
            (stretch.acceleration_m_s2, accelerations),
        ):
            into[row] = np.polynomial.polynomial.polyval(u, wave[0])
            if 1 in wave:
                into[row] += wave[1][0] * np.exp(-stretch.decay * u)
    return shares, speeds, accelerations
