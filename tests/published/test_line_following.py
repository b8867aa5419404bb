"""Following error and first-order response, against printed values and scipy.signal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from feedsim.machine import Line, Servo
from feedsim.motion.belt import BeltMotion, BeltPiece, belt_of_line
from feedsim.motion.controller_speed import ControllerSpeed
from feedsim.motion.feed import FeedMotion, Ramp
from tests.machines import feeder, machine, run

STEP = Ramp(0.0, in_travel=False)
# A first-order lag after a step, at 1…5 time constants: 1 − e⁻ⁿ; table in any control textbook
FIRST_ORDER = (0.632121, 0.864665, 0.950213, 0.981684, 0.993262)


def steady_belt(speed: float) -> BeltMotion:
    return BeltMotion([BeltPiece(0.0, 0.0, speed, 0.0)])


def feed_on(belt: BeltMotion, *, gain: float, feedforward: float = 0.0) -> FeedMotion:
    return FeedMotion(
        belt,
        scale_error=0.0,
        ratio=1.0,
        servo=Servo(loop_gain_per_s=gain, velocity_feedforward=feedforward),
    )


def test_ramp_following_error_of_a_position_loop() -> None:
    # Ramp error of a type-1 loop v/K, any control textbook: K = 50 1/s at 300 mm/s → 6.000 mm
    feed = feed_on(steady_belt(300.0), gain=50.0)
    feed.engage(0.0, STEP)
    assert feed.command(1.0) - feed.position(1.0) == pytest.approx(6.000, abs=5e-4)
    assert feed.speed(1.0) == pytest.approx(300.0, abs=5e-4)


def test_a_line_that_forgets_the_following_error_places_as_much_too_late() -> None:
    # the same 6.000 mm, with the settings' lead short of 1/K = 20 ms, at 18 m/min = 300 mm/s
    right = machine(feeder(servo=Servo(loop_gain_per_s=50.0)), speed_m_min=18.0)
    f = right.feeders[0]
    short = replace(f.settings, engage_lead_s=f.settings.engage_lead_s - 0.020)
    wrong = replace(right, feeders=(replace(f, settings=short),))
    errors = run(wrong, carriers=10).feeders[0].placement_error_mm
    # what is left of the lag's decay over the run-up of 60 mm, 0.22 s: 6·e⁻¹¹ = 1e-4 mm
    assert errors == pytest.approx(np.full(10, 6.000), abs=5e-4)


def closed_loop(
    rate: NDArray[np.float64], times: NDArray[np.float64], *, gain: float, feedforward: float
) -> NDArray[np.float64]:
    """Feed travel from command speed, by scipy.signal.

    f' = K(p − f) + k·p' is F/P = (k·s + K)/(s + K); from the speed, 1/s more. lsim holds the
    input straight between samples, so it is exact for a speed that is.
    """
    numerator = np.trim_zeros([feedforward, gain], "f")
    system = signal.TransferFunction(numerator, [1.0, gain, 0.0])
    _, travel, _ = signal.lsim(system, rate, times, interp=True)
    return travel


@pytest.mark.parametrize("gain", [50.0, 200.0])
@pytest.mark.parametrize("feedforward", [0.0, 0.8, 1.0])
def test_following_along_a_clutch_ramp_is_that_of_the_transfer_function(
    gain: float, feedforward: float
) -> None:
    times = np.linspace(0.0, 0.4, 401)
    # 1000 mm/s reached in 20 ms, left in 30 ms from 0.25 s on
    rate = np.interp(times, [0.0, 0.02, 0.25, 0.28], [0.0, 1000.0, 1000.0, 0.0])
    feed = feed_on(steady_belt(1000.0), gain=gain, feedforward=feedforward)
    feed.engage(0.0, Ramp(0.02, in_travel=False))
    feed.open(0.25, Ramp(0.03, in_travel=False))
    found = [feed.position(t) for t in times]
    theirs = closed_loop(rate, times, gain=gain, feedforward=feedforward)
    assert np.abs(found - theirs).max() < 1e-9
    assert np.abs(found - closed_loop(rate, times, gain=1.001 * gain, feedforward=0.5)).max() > 1e-3


@pytest.mark.parametrize("feedforward", [0.0, 0.8, 1.0])
def test_following_along_a_belt_ramp_is_that_of_the_transfer_function(feedforward: float) -> None:
    times = np.linspace(0.0, 1.0, 1001)
    profile = ((0.0, 0.0), (0.5, 300.0), (0.7, 300.0), (0.9, 100.0))
    feed = feed_on(belt_of_line(Line(300.0, profile=profile)), gain=50.0, feedforward=feedforward)
    feed.engage(0.0, STEP)
    rate = np.interp(times, *zip(*profile, strict=True))
    theirs = closed_loop(rate, times, gain=50.0, feedforward=feedforward)
    assert np.abs([feed.position(t) for t in times] - theirs).max() < 1e-9


@pytest.mark.parametrize("filter_s", [0.01, 0.25])
def test_speed_filter_after_a_jump_of_speed(filter_s: float) -> None:
    jump = BeltMotion([BeltPiece(0.0, 0.0, 0.0, 0.0), BeltPiece(1.0, 0.0, 1000.0, 0.0)])
    speed = ControllerSpeed(jump, scale_error=0.0, filter_s=filter_s)
    seen = [speed.at(1.0 + n * filter_s) / 1000.0 for n in range(1, 6)]
    assert seen == pytest.approx(FIRST_ORDER, abs=5e-7)
    assert speed.at(1.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("scale_error", [0.0, 0.01])
def test_speed_filter_after_a_very_short_ramp(scale_error: float) -> None:
    # 1 ns long against a time constant of 0.1 s: 5e-9 of the jump off at most
    belt = belt_of_line(Line(800.0, profile=((1.0, 800.0), (1.0 + 1e-9, 300.0))))
    speed = ControllerSpeed(belt, scale_error=scale_error, filter_s=0.1)
    counted = 1.0 + scale_error
    seen = [(800.0 - counted * speed.at(1.0 + 0.1 * n)) / 500.0 for n in range(1, 6)]
    assert seen == pytest.approx(FIRST_ORDER, abs=6e-7)


def test_servo_comes_to_rest_and_to_speed_as_a_first_order_lag() -> None:
    gain, opened = 50.0, 2.0
    feed = feed_on(steady_belt(300.0), gain=gain)
    feed.engage(0.0, STEP)
    up = [feed.speed(n / gain) / 300.0 for n in range(1, 6)]
    assert up == pytest.approx(FIRST_ORDER, abs=5e-7)
    feed.open(opened, STEP)
    start = feed.position(opened)
    down = [(feed.position(opened + n / gain) - start) / 6.0 for n in range(1, 6)]
    assert down == pytest.approx(FIRST_ORDER, abs=5e-7)
    # the same read the other way: when a share of the way is covered
    times = [feed.time_at(start + 6.0 * share) - opened for share in FIRST_ORDER]
    # a digit of the share is worth e⁵ digits of time constants at most
    assert times == pytest.approx([n / gain for n in range(1, 6)], abs=5e-7 * np.exp(5.0) / gain)
