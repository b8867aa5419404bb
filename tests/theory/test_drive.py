"""The drive's closed forms against plain numerical integration of the motion, and its energies.

The plain side is in ``tests/reference/plain_drive.py``.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import Demand, demand
from feedsim.drivetrain.inertia import reflected_inertia
from feedsim.drivetrain.limits import available_acceleration, friction_limited_acceleration
from feedsim.drivetrain.waves import crossings, moment, product, value_of, whole
from feedsim.machine import Drive, Reduction, Roller, Servo
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from tests.drives import cut, drive, feed_of, motor, torque_of, unit_drive
from tests.reference.plain_drive import plain_means, plain_torque

LAGGING = Servo(loop_gain_per_s=200.0, velocity_feedforward=0.8)
SOFT = Servo(loop_gain_per_s=60.0, velocity_feedforward=0.0)
SPEEDING = BeltMotion([BeltPiece(0.0, 0.0, 600.0, 900.0), BeltPiece(1.0, 1050.0, 1500.0, -300.0)])
BEGINS = [0.2, 0.5, 0.81, 1.1]
MOTIONS = {
    "rigid, time": (Servo(), Ramp(0.02, in_travel=False), None),
    "lagging, time": (LAGGING, Ramp(0.02, in_travel=False), None),
    "lagging, travel": (LAGGING, Ramp(24.0, in_travel=True), None),
    "soft, never at rest": (SOFT, Ramp(0.05, in_travel=False), None),
    "rigid, travel, speeding": (Servo(), Ramp(24.0, in_travel=True), SPEEDING),
    "lagging, time, speeding": (LAGGING, Ramp(0.03, in_travel=False), SPEEDING),
}
DRIVES = {
    "bare": unit_drive(friction_torque_n_m=0.5),
    "everything": drive(),
    "pulls later": drive(pull_off_from_mm=30.0, pull_off_travel_mm=40.0, pull_off_force_n=20.0),
    "bad reductions": drive(reductions=(Reduction(4.0, 0.5, 2e-5), Reduction(0.5, 0.6, 1e-4))),
}


def motion(name: str) -> tuple[FeedMotion, float]:
    servo, ramp, belt = MOTIONS[name]
    feed = feed_of(BEGINS, speed_mm_s=1000.0, open_after_s=0.15, ramp=ramp, servo=servo, belt=belt)
    return feed, servo.loop_gain_per_s


@pytest.mark.parametrize("name", list(MOTIONS))
@pytest.mark.parametrize("of", ["everything", "bad reductions"])
def test_rms_and_work_agree_with_numerical_integration(name: str, of: str) -> None:
    feed, gain = motion(name)
    cycles = cut(feed, DRIVES[of], BEGINS, gain=gain)
    asked = demand(cycles, rotor_kg_m2=3e-5)
    torque, power, work = plain_means(feed, DRIVES[of], BEGINS, rotor=3e-5)
    assert asked.rms_torque_n_m == pytest.approx(torque, rel=1e-6)
    assert asked.rms_power_w == pytest.approx(power, rel=1e-6)
    scale = asked.friction_energy_j + asked.regenerated_energy_j
    assert asked.work_j == pytest.approx(work / cycles.count, abs=1e-6 * scale)


def off_balance(energy: Demand) -> float:
    """Return by which share of all that was moved about the books do not balance."""
    out = (
        energy.kinetic_energy_j,
        energy.friction_energy_j,
        energy.pull_off_energy_j,
        energy.reduction_loss_j,
    )
    gross = abs(energy.work_j) + sum(abs(part) for part in out)
    return abs(energy.work_j - sum(out)) / gross


@pytest.mark.parametrize("name", list(MOTIONS))
@pytest.mark.parametrize("of", list(DRIVES))
def test_work_in_is_kinetic_energy_and_friction_and_pull_off(name: str, of: str) -> None:
    feed, gain = motion(name)
    cycles = cut(feed, DRIVES[of], BEGINS, gain=gain)
    for part in (cycles, *(cycles.one(number) for number in range(3))):
        for rotor in (0.0, 3e-5, 2e-3):
            assert off_balance(demand(part, rotor_kg_m2=rotor)) < 1e-9


def test_books_that_leave_something_out_do_not_balance() -> None:
    feed, gain = motion("lagging, time")
    energy = demand(cut(feed, DRIVES["everything"], BEGINS, gain=gain), rotor_kg_m2=3e-5)
    for name in ("friction_energy_j", "pull_off_energy_j", "reduction_loss_j"):
        assert off_balance(replace(energy, **{name: 0.0})) > 1e-3


def moved(ramp_s: float = 0.02, *, of: Drive, rotor: float = 0.0) -> tuple[Cycles, Demand]:
    """Return a trapezoid at 1 m/s: ramp, 80 ms of run, ramp, and a pause."""
    feed = feed_of(
        [1.0], speed_mm_s=1000.0, open_after_s=0.08 + ramp_s, ramp=Ramp(ramp_s, in_travel=False)
    )
    cycles = cut(feed, of, [1.0, 1.3])
    return cycles, demand(cycles, rotor_kg_m2=rotor)


def test_without_friction_all_that_went_in_comes_back() -> None:
    # ½·J·ω² with 1 kg·m² at 1 rad/s and a rotor of half of it: 0.75 J
    _, asked = moved(of=unit_drive(), rotor=0.5)
    assert asked.work_j == pytest.approx(0.0, abs=1e-12)
    assert asked.regenerated_energy_j == pytest.approx(0.75, rel=1e-12)


def test_friction_and_magazine_cost_force_times_travel() -> None:
    # 100 mm of travel against 0.5 N, and 40 mm of it against 2 N
    of = unit_drive(friction_torque_n_m=0.5, pull_off_force_n=2.0, pull_off_travel_mm=40.0)
    _, asked = moved(of=of)
    assert asked.friction_energy_j == pytest.approx(0.05, rel=1e-9)
    assert asked.pull_off_energy_j == pytest.approx(0.08, rel=1e-9)
    assert asked.work_j == pytest.approx(0.13, rel=1e-9)


def test_shorter_ramps_ask_for_torque_in_proportion() -> None:
    one, half = (moved(ramp, of=unit_drive())[1] for ramp in (0.02, 0.01))
    assert half.peak_torque_n_m == pytest.approx(2.0 * one.peak_torque_n_m, rel=1e-9)


@pytest.mark.parametrize("pulling", [False, True])
@pytest.mark.parametrize("of", list(DRIVES))
def test_the_law_is_the_walk_through_the_stages(of: str, pulling: bool) -> None:
    for a in np.linspace(-90.0, 90.0, 41):
        law = torque_of(DRIVES[of], float(a), rotor_kg_m2=1e-5, pulling=pulling)
        plain = plain_torque(DRIVES[of], float(a), rotor=1e-5, pulling=pulling)
        assert law == pytest.approx(plain, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("of", list(DRIVES))
def test_the_available_acceleration_takes_just_the_peak_torque(of: str) -> None:
    a = available_acceleration(DRIVES[of], motor()) / 1000.0
    pulling = DRIVES[of].pull_off_force_n > 0.0
    torque = plain_torque(DRIVES[of], a, rotor=motor().rotor_inertia_kg_m2, pulling=pulling)
    assert torque == pytest.approx(motor().peak_torque_n_m, rel=1e-12)


def test_available_acceleration_by_hand() -> None:
    # 3 N·m less 1 N·m of friction over 1.5 + 0.5 kg·m², on a radius of 1 m: 1 m/s²
    of = unit_drive(rollers=(Roller(inertia_kg_m2=1.5),), friction_torque_n_m=1.0)
    strong = motor(peak_torque_n_m=3.0, rotor_inertia_kg_m2=0.5)
    assert available_acceleration(of, strong) == pytest.approx(1000.0, rel=1e-12)
    # friction that takes it all leaves nothing
    stuck = replace(of, friction_torque_n_m=3.5)
    assert available_acceleration(stuck, strong) == 0.0


def test_an_insert_under_its_own_weight_follows_up_to_mu_g() -> None:
    weight = 0.005 * 9.81
    of = unit_drive(insert_mass_kg=0.005, friction_coefficient=0.4, normal_force_n=weight)
    assert friction_limited_acceleration(of) == pytest.approx(0.4 * 9810.0, rel=1e-12)
    # (µ·N − F)/m = (0.4·2 − 0.3)/0.005
    pressed = replace(of, normal_force_n=2.0, pull_off_force_n=0.3, pull_off_travel_mm=10.0)
    assert friction_limited_acceleration(pressed) == pytest.approx(100_000.0, rel=1e-12)
    free = friction_limited_acceleration(pressed, pulling=False)
    assert free == pytest.approx(160_000.0, rel=1e-12)
    assert friction_limited_acceleration(replace(pressed, pull_off_force_n=5.0)) == 0.0
    assert friction_limited_acceleration(unit_drive()) is None


def test_kinetic_energy_is_that_of_every_part_at_its_own_speed() -> None:
    # at 1 m/s: roller of 40 mm at 50 rad/s, one of 80 mm at 25 rad/s, belts straight on,
    # a stage of 3 : 1 at 150 rad/s
    of = Drive(
        40.0,
        rollers=(
            Roller(diameter_mm=40.0, inertia_kg_m2=2e-4),
            Roller(diameter_mm=80.0, inertia_kg_m2=9e-4, count=2),
        ),
        moving_mass_kg=0.3,
        reductions=(Reduction(3.0, 1.0, 1e-5),),
    )
    parts = 0.5 * (2e-4 * 50**2 + 2 * 9e-4 * 25**2 + 0.3 + 1e-5 * 150**2)
    assert 0.5 * reflected_inertia(of) * 150**2 == pytest.approx(parts, rel=1e-12)
    _, asked = moved(of=of)
    assert asked.regenerated_energy_j == pytest.approx(parts, rel=1e-9)


# -- the calculus below --------------------------------------------------------------------


@pytest.mark.parametrize("n", [0, 1, 2, 5, 10])
@pytest.mark.parametrize("x", [0.0, 1e-6, 0.5, 4.999, 5.0, 12.0, 300.0])
def test_moments_agree_with_quadrature(n: int, x: float) -> None:
    found, _ = quad(lambda u: u**n * math.exp(-x * u), 0.0, 1.0, epsabs=0.0, epsrel=1e-12)
    assert moment(n, x) == pytest.approx(found, rel=1e-9)


def test_products_and_integrals_of_waves_agree_with_quadrature() -> None:
    first = {0: (1.0, -2.0, 0.7, 0.1), 1: (3.0,)}
    second = {0: (0.2, 1.5, -4.0), 1: (-2.5,)}
    x = 3.7
    both = product(product(first, second), second)

    def plain(u: float) -> float:
        return value_of(first, x, u) * value_of(second, x, u) ** 2

    found, _ = quad(plain, 0.0, 1.0, epsrel=1e-12)
    assert whole(both, x) == pytest.approx(found, rel=1e-10)


def test_every_crossing_is_found() -> None:
    # 1 − 6u + 5u² + 4·exp(−9u): falls, rises; on a fine grid each change of sign is one
    wave, x = {0: (1.0, -6.0, 5.0), 1: (4.0,)}, 9.0
    u = np.linspace(0.0, 1.0, 200_001)
    values = 1.0 - 6.0 * u + 5.0 * u**2 + 4.0 * np.exp(-x * u)
    for target in (-0.7, -0.3, 0.0, 1.0, 4.0, 5.5):
        signs = np.sign(values - target)
        places = u[:-1][signs[:-1] * signs[1:] < 0]
        found = crossings(wave, x, target)
        assert found == pytest.approx(places.tolist(), abs=1e-5)
