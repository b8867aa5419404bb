"""What a motor can give, and how a demand is held against it; expected values by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import trapezoid as area_below

from feedsim.drivetrain.course import course
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import demand
from feedsim.drivetrain.limits import (
    Criterion,
    continuous_torque,
    criteria_of,
    short_time_torque,
)
from feedsim.machine import Drive, Motor, Roller
from feedsim.motion.feed import Ramp
from tests.drives import cut, feed_of, motor, unit_drive

# Rated 2 N·m at 1000 rpm, 6 N·m at the most, up to 2000 rpm, 200 W.
ROUND = Motor(2.0, 6.0, 1000.0, 2000.0, 0.5, 200.0)
RAD_S = math.pi / 30.0


def trapezoid(of: Drive, *, speed_mm_s: float = 1000.0, ramp_s: float = 0.5) -> Cycles:
    """Return ramp, as long a run, ramp, as long a pause."""
    feed = feed_of(
        [1.0],
        speed_mm_s=speed_mm_s,
        open_after_s=2.0 * ramp_s,
        ramp=Ramp(ramp_s, in_travel=False),
    )
    return cut(feed, of, [1.0, 1.0 + 4.0 * ramp_s])


def held(of: Drive, against: Motor, **motion: float) -> dict[str, Criterion]:
    cycles = trapezoid(of, **motion)
    asked = demand(cycles, rotor_kg_m2=against.rotor_inertia_kg_m2)
    return criteria_of(cycles, against, asked).each


def test_limits_over_the_speed() -> None:
    speed = np.array([0.0, 1000.0, 1500.0, 2000.0, 2000.1])
    # 200 W at 1500 and 2000 rpm: 1.273 and 0.955 N·m
    by_power = [200.0 / (1500.0 * RAD_S), 200.0 / (2000.0 * RAD_S)]
    assert continuous_torque(ROUND, speed) == pytest.approx([2.0, 2.0, *by_power, 0.0], rel=1e-12)
    # from 6 N·m at 1000 straight down to 0.955 N·m at 2000 rpm
    half = 0.5 * (6.0 + by_power[1])
    assert short_time_torque(ROUND, speed) == pytest.approx([6, 6, half, by_power[1], 0])


def test_a_hot_motor_gives_less_for_ever_but_its_peak_for_a_short_time() -> None:
    hot = motor(over_temperature_factor=0.8)
    slow = np.array([10.0])
    assert continuous_torque(hot, slow)[0] == pytest.approx(0.8 * 1.27, rel=1e-12)
    assert short_time_torque(hot, slow)[0] == 3.8


def test_a_motor_as_fast_as_it_is_rated_has_flat_limits() -> None:
    flat = motor(max_speed_rpm=3000.0)
    speed = np.array([0.0, 3000.0, 3001.0])
    assert short_time_torque(flat, speed).tolist() == [3.8, 3.8, 0.0]


def test_criteria_by_hand() -> None:
    # 1 + 0.5 kg·m² at 2 m/s²: 3 N·m up and down, a quarter of the time each; 1 rad/s.
    # Service factor 1.5: peak 4.5 of 6, RMS 3/√2·1.5 of 2, ratio 2 of 4.
    of = unit_drive(service_factor=1.5, allowed_inertia_ratio=4.0)
    found = held(of, ROUND)
    assert found["peak torque"].required == pytest.approx(4.5, rel=1e-12)
    assert found["peak torque"].margin == pytest.approx(6.0 / 4.5 - 1.0, rel=1e-12)
    rms = found["RMS torque"]
    assert rms.required == pytest.approx(4.5 / math.sqrt(2.0), rel=1e-12)
    assert (rms.available, rms.met) == (2.0, False)
    assert found["speed"].required == pytest.approx(1.0 / RAD_S, rel=1e-12)
    assert found["inertia ratio"].margin == pytest.approx(1.0, rel=1e-12)
    # power 3·ω with ω = 2t twice over 0.5 s in 2 s: √(2·9·4·0.5³/3/2) = √1.5 W
    assert found["duty"].required == pytest.approx(1.5 * math.sqrt(1.5), rel=1e-12)
    assert found["duty"].met


@pytest.mark.parametrize(
    ("change", "failing"),
    [
        ({"peak_torque_n_m": 4.49, "rated_torque_n_m": 4.0}, "peak torque"),
        ({"rated_torque_n_m": 3.18}, "RMS torque"),
        ({"max_speed_rpm": 9.54, "rated_speed_rpm": 9.54}, "speed"),
        ({"rotor_inertia_kg_m2": 0.24}, "inertia ratio"),
        ({"rated_power_w": 1.83}, "duty"),
    ],
)
def test_each_criterion_can_fail_alone(change: dict[str, float], failing: str) -> None:
    strong = Motor(4.0, 8.0, 1000.0, 2000.0, 0.5, 200.0)
    fits = {name: getattr(strong, name) for name in Motor.__slots__} | change
    of = unit_drive(service_factor=1.5, allowed_inertia_ratio=4.0)
    found = held(of, Motor(**fits))
    assert [name for name, one in found.items() if not one.met] == [failing]
    assert (found[failing].margin or 0.0) < 0.0


def test_the_peak_is_held_against_the_limit_at_its_speed() -> None:
    # 150 rad/s = 1432 rpm at the end of the ramp: there the short-time limit has come down by
    # 0.432 of the way from 6 to 0.955 N·m
    of = unit_drive(roller_diameter_mm=2000.0 / 150.0)
    small = Drive(of.roller_diameter_mm, rollers=(Roller(inertia_kg_m2=0.002),), service_factor=1.0)
    quick = Motor(2.0, 6.0, 1000.0, 2000.0, 0.001, 200.0)
    peak = held(small, quick)["peak torque"]
    rpm = 150.0 / RAD_S
    last = 200.0 / (2000.0 * RAD_S)
    limit = 6.0 + (last - 6.0) * (rpm - 1000.0) / 1000.0
    assert peak.available == pytest.approx(limit, rel=1e-9)
    assert peak.required == pytest.approx(0.003 * 300.0, rel=1e-9)  # 150 rad/s in 0.5 s


def test_a_course_starts_with_the_cycle_and_rests_at_its_end() -> None:
    cycles = trapezoid(unit_drive())
    drawn = course(cycles, rotor_kg_m2=0.5)
    assert drawn.time_s[0] == 0.0
    assert drawn.time_s[-1] == pytest.approx(2.0)
    assert (np.diff(drawn.time_s) >= 0.0).all()
    assert drawn.torque_n_m.max() == pytest.approx(3.0)
    assert drawn.torque_n_m.min() == pytest.approx(-3.0)
    assert drawn.torque_n_m[-1] == drawn.speed_rpm[-1] == 0.0
    # the area under the speed is the travel: 1 m/s for 1 s in all
    area = float(area_below(drawn.feed_speed_mm_s, drawn.time_s))
    assert area == pytest.approx(1000.0, rel=1e-9)


def test_each_cycle_has_its_own_rms() -> None:
    feed = feed_of([1.0, 3.0], speed_mm_s=1000.0, open_after_s=1.0, ramp=Ramp(0.5, in_travel=False))
    cycles = cut(feed, unit_drive(), [1.0, 3.0, 5.0, 7.0])
    # 2 N·m for half of 2 s, twice, and nothing at all
    rms = cycles.rms_torques(0.0)
    assert rms == pytest.approx([math.sqrt(2.0), math.sqrt(2.0), 0.0], abs=1e-12)
    assert cycles.moving_share == pytest.approx(0.5)
