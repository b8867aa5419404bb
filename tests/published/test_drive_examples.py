"""Worked examples of motor sizing from books, digit for digit.

No open example known to us joins motion profile, RMS torque and reflected inertia; the last test
chains the parts by hand and is composed, not published.
"""

from __future__ import annotations

import math

import pytest

from feedsim.drivetrain.cycles import Cycles, cycles_of
from feedsim.drivetrain.demand import demand
from feedsim.drivetrain.inertia import (
    best_ratio,
    cylinder_inertia,
    cylinder_mass,
    load_inertia,
    reflected_inertia,
)
from feedsim.drivetrain.law import Branch
from feedsim.drivetrain.stretches import Stretch
from feedsim.machine import Drive, Reduction, Roller
from feedsim.motion.feed import Ramp
from tests.drives import cut, feed_of, torque_of, unit_drive

ONE_TO_ONE = Branch(-math.inf, 1.0, 0.0, 0.0, 0.0)


def loads(*parts: tuple[float, float, float], pause_s: float) -> Cycles:
    """Make a cycle of torques, each running straight from one value to another over a time.

    On an inertia of 1 kg·m² at 1 m the torque is the acceleration.
    """
    stretches, at, speed = [], 0.0, 0.0
    for first, last, length in parts:
        wave = {0: (speed, first * length, 0.5 * (last - first) * length)}
        change = {0: (first, last - first, 0.0)}
        stretches.append(
            Stretch(at, length, 0.0, 0.0, wave, change, 0.0, False, ONE_TO_ONE, to_rest=False)
        )
        speed += 0.5 * (first + last) * length
        at += length
    return cycles_of(unit_drive(), [stretches], begin_s=[0.0, at + pause_s])


def test_equivalent_load_with_a_ramp() -> None:
    # Chakrabarti, Soni, Gupta, Bhatnagar, A Textbook on Power System Engineering, ex. 1.27:
    # rises from 0 to 200 in 5 min, 100 for 10 min, nothing for 3 min
    found = demand(loads((0.0, 200.0, 5.0), (100.0, 100.0, 10.0), pause_s=3.0), rotor_kg_m2=0.0)
    assert found.rms_torque_n_m == pytest.approx(96.2250, abs=5e-5)


def test_equivalent_load_in_steps() -> None:
    # the same, ex. 1.26: 100 for 10, 0 for 5, 60 for 8, 0 for 4 (the book slips at the end:
    # √((100²·10 + 60²·8)/27) is 69.0679)
    steps = loads((100.0, 100.0, 10.0), (0.0, 0.0, 5.0), (60.0, 60.0, 8.0), pause_s=4.0)
    found = demand(steps, rotor_kg_m2=0.0)
    assert found.rms_torque_n_m == pytest.approx(69.0679, abs=5e-5)


def test_reflected_inertia_of_a_gear_train() -> None:
    # Budynas and Nisbett, Shigley's Mechanical Engineering Design, ch. 16: I_M 10, I_P 1, n 10,
    # I_L 100; a gear like its pinion but n times as large has n⁴ times its inertia
    train = unit_drive(
        rollers=(Roller(inertia_kg_m2=10.0**4), Roller(inertia_kg_m2=100.0)),
        reductions=(Reduction(10.0, inertia_kg_m2=1.0),),
    )
    assert 10.0 + reflected_inertia(train) == pytest.approx(112.0, rel=1e-12)
    # the same chapter: J1 1, J2 4, speed ratio 1/2
    two = unit_drive(rollers=(Roller(inertia_kg_m2=4.0),), reductions=(Reduction(2.0),))
    assert 1.0 + reflected_inertia(two) == pytest.approx(2.0, rel=1e-12)


def test_geared_load_with_efficiency() -> None:
    # Dubey, Fundamentals of Electrical Drives, ex. 2.1, a load alone: J_m 0.4, J_l 10, ratio 0.1,
    # 50 N·m, 0.9, 1400 rpm: 0.5 kg·m², 5.5556 N·m, 814.49 W
    load = unit_drive(
        rollers=(Roller(inertia_kg_m2=10.0),),
        reductions=(Reduction(10.0, 0.9),),
        friction_torque_n_m=50.0,
    )
    assert 0.4 + reflected_inertia(load) == pytest.approx(0.5, rel=1e-12)
    torque = torque_of(load, 0.0, rotor_kg_m2=0.4)
    assert torque == pytest.approx(5.5556, abs=5e-5)
    assert torque * 1400.0 * math.pi / 30.0 == pytest.approx(814.49, abs=5e-3)


def test_geared_load_and_hoist() -> None:
    # Dubey, ex. 2.1: J0 0.2 at the motor, 1420 rpm; one load with ratio 0.1, J 10, 10 N·m, 0.9;
    # a hoist, 1000 kg at 1.5 m/s, 0.85: 0.401753 kg·m², 117.5302 N·m, 17.477 kW
    turning = 1420.0 * math.pi / 30.0
    one = unit_drive(
        rollers=(Roller(inertia_kg_m2=10.0),),
        reductions=(Reduction(10.0, 0.9),),
        friction_torque_n_m=10.0,
    )
    hoist = unit_drive(
        rollers=(),
        moving_mass_kg=1000.0,
        pull_off_force_n=1000.0 * 9.81,
        reductions=(Reduction(turning / 1.5, 0.85),),
    )
    inertia = 0.2 + reflected_inertia(one) + reflected_inertia(hoist)
    assert inertia == pytest.approx(0.401753, abs=5e-7)
    torque = torque_of(one, 0.0, rotor_kg_m2=0.2)
    torque += torque_of(hoist, 0.0, rotor_kg_m2=0.0, pulling=True)
    assert torque == pytest.approx(117.5302, abs=5e-5)
    assert torque * turning == pytest.approx(17_477.0, abs=0.5)


def test_solid_steel_roller() -> None:
    # any handbook: m = ρ·π·d²·L/4, J = m·r²/2, steel of 7850 kg/m³, 30 mm by 100 mm
    assert cylinder_mass(30.0, 100.0, density_kg_m3=7850.0) == pytest.approx(0.554884, abs=5e-7)
    assert cylinder_inertia(30.0, 100.0, density_kg_m3=7850.0) == pytest.approx(
        6.242443e-5, abs=5e-12
    )


def test_hollow_cylinder_is_the_solid_one_less_its_bore() -> None:
    # any handbook: J = m·(r_o² + r_i²)/2
    outer = cylinder_inertia(50.0, 160.0, density_kg_m3=2700.0)
    inner = cylinder_inertia(40.0, 160.0, density_kg_m3=2700.0)
    hollow = cylinder_inertia(50.0, 160.0, density_kg_m3=2700.0, bore_mm=40.0)
    assert hollow == pytest.approx(outer - inner, rel=1e-12)
    # by hand: m = 2700·π/4·(0.05² − 0.04²)·0.16 = 0.305363 kg, times (0.05² + 0.04²)/8
    assert hollow == pytest.approx(0.305363 * 0.0041 / 8.0, rel=2e-6)


@pytest.mark.parametrize(
    ("ramp_share", "speed", "acceleration", "rms"),
    [(1.0 / 3.0, 1.5, 4.5, 3.674235), (0.5, 2.0, 4.0, 4.0)],
    ids=["thirds", "triangle"],
)
def test_trapezoid(ramp_share: float, speed: float, acceleration: float, rms: float) -> None:
    # handbook of motion control: a move d in time t; in thirds v 1.5 d/t, a 4.5 d/t², RMS 3.674235
    d_m, t = 0.12, 0.08
    v_mm_s = speed * d_m * 1000.0 / t
    feed = feed_of(
        [1.0],
        speed_mm_s=v_mm_s,
        open_after_s=(1.0 - ramp_share) * t,
        ramp=Ramp(ramp_share * t, in_travel=False),
    )
    found = cut(feed, unit_drive(), [1.0, 1.0 + t])
    assert float(found.integrals.travel.sum()) == pytest.approx(d_m, rel=1e-9)
    assert float(found.integrals.fastest.max()) == pytest.approx(speed * d_m / t, rel=1e-9)
    assert found.peak_acceleration_m_s2 == pytest.approx(acceleration * d_m / t**2, rel=1e-9)
    asked = demand(found, rotor_kg_m2=0.0)
    assert asked.rms_torque_n_m == pytest.approx(rms * d_m / t**2, rel=2e-7)


def test_best_ratio_gives_the_largest_acceleration() -> None:
    # handbook: n = √(J_L/J_m); the load turns with a = n·T/(J_L + n²·J_m)
    assert best_ratio(100.0, 4.0) == 5.0

    def of(ratio: float) -> float:
        return ratio / (100.0 + ratio**2 * 4.0)

    assert of(5.0) > max(of(4.99), of(5.01))


def test_a_whole_sizing_composed_not_published() -> None:
    # A roller of 40 mm by 120 mm of steel and 0.3 kg of belts, through 3 : 1 with 0.95 and
    # 0.2 kg·cm² at the motor, rotor 0.3 kg·cm²; 0.2 N·m of friction; 60 m/min in 20 ms, 80 ms
    # run, 20 ms down, 40 ms pause. By hand:
    mass = 7850.0 * math.pi / 4.0 * 0.04**2 * 0.12
    load = mass * 0.04**2 / 8.0 + 0.3 * 0.02**2
    at_motor = 2e-5 + 3e-5
    angular = 50.0 / 0.02  # rad/s² of the roller: 1 m/s in 20 ms at 20 mm
    up = (load * angular + 0.2) / (3.0 * 0.95) + at_motor * 3.0 * angular
    run = 0.2 / (3.0 * 0.95)
    down = (0.2 - load * angular) * 0.95 / 3.0 - at_motor * 3.0 * angular
    assert load * angular > 0.2  # so that the reduction is driven backwards in braking
    rms = math.sqrt((up**2 * 0.02 + run**2 * 0.08 + down**2 * 0.02) / 0.16)
    of = Drive(
        40.0,
        rollers=(Roller(diameter_mm=40.0, length_mm=120.0, density_kg_m3=7850.0),),
        moving_mass_kg=0.3,
        reductions=(Reduction(3.0, 0.95, 2e-5),),
        friction_torque_n_m=0.2,
    )
    assert load_inertia(of) == pytest.approx(load, rel=1e-12)
    feed = feed_of([1.0], speed_mm_s=1000.0, open_after_s=0.1, ramp=Ramp(0.02, in_travel=False))
    asked = demand(cut(feed, of, [1.0, 1.16]), rotor_kg_m2=3e-5)
    assert asked.peak_torque_n_m == pytest.approx(up, rel=1e-9)
    assert asked.rms_torque_n_m == pytest.approx(rms, rel=1e-9)
    assert asked.peak_speed_rpm == pytest.approx(3.0 * 50.0 * 30.0 / math.pi, rel=1e-9)
    assert asked.peak_power_w == pytest.approx(up * 150.0, rel=1e-9)  # 150 rad/s
    # regenerated: the braking torque over the 10 mm, 1.5 rad at the motor, of the ramp-out
    assert asked.regenerated_energy_j == pytest.approx(-down * 1.5, rel=1e-9)
