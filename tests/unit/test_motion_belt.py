"""Belt travel, controller speed and ticks."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as bounds
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid, solve_ivp

from feedsim.machine import Line
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line, time_to_travel
from feedsim.motion.controller_speed import ControllerSpeed
from feedsim.motion.ticks import next_tick

few = bounds(max_examples=150)

steps = st.lists(
    st.tuples(st.sampled_from([0.05, 0.3, 1.0]), st.sampled_from([0.0, 40.0, 1000.0, 1733.0])),
    min_size=1,
    max_size=6,
)


def speed_points(steps: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return speed points with rising times, the belt moving in the end."""
    t, points = 0.0, [(0.0, steps[0][1])]
    for wait, speed in steps:
        t += wait
        points.append((t, speed))
    return (*points, (t + 0.5, 700.0))


def profile(steps: list[tuple[float, float]]) -> BeltMotion:
    return belt_of_line(Line(1000.0, profile=speed_points(steps)))


def trapezoids(points: tuple[tuple[float, float], ...], t: float) -> float:
    """Return the travel by time ``t`` (mm): the area under straight lines between points."""
    grid = np.unique([0.0, *(p[0] for p in points if p[0] < t), t])
    speeds = np.interp(grid, [p[0] for p in points], [p[1] for p in points])
    return float(cumulative_trapezoid(speeds, grid, initial=0.0)[-1])


@few
@given(steps, st.floats(0.0, 8.0))
def test_travel_is_the_area_under_the_speed(steps: list[tuple[float, float]], t: float) -> None:
    points = speed_points(steps)
    belt = profile(steps)
    assert belt.position(t) == pytest.approx(trapezoids(points, t), rel=1e-12, abs=1e-9)
    expected = np.interp(t, [p[0] for p in points], [p[1] for p in points])
    assert belt.speed(t) == pytest.approx(float(expected), rel=1e-9, abs=1e-9)


@few
@given(steps, st.floats(0.0, 8000.0))
def test_time_at_is_the_inverse_of_position(steps: list[tuple[float, float]], m: float) -> None:
    belt = profile(steps)
    t = belt.time_at(m)
    assert belt.position(t) == pytest.approx(m, rel=1e-12, abs=1e-9)
    # the first time: a little earlier it has not been there, unless it crept at the very end
    assert belt.position(max(0.0, t - 1e-4)) <= m
    assert t == pytest.approx(belt.times_at(np.array([m]))[0], abs=1e-12)


def test_a_travel_is_reached_when_the_belt_first_gets_there() -> None:
    # 1000 mm/s to 0 within 1 s: 500 mm; rest for 2 s; up to 1000 mm/s within 1 s
    points = ((0.0, 1000.0), (1.0, 0.0), (3.0, 0.0), (4.0, 1000.0))
    belt = belt_of_line(Line(1000.0, profile=points))
    assert belt.time_at(500.0) == pytest.approx(1.0, abs=1e-12)
    assert belt.position(2.5) == 500.0
    assert belt.speed(2.5) == 0.0
    # 500 mm/s² from 3 s on: 0.05 mm = 1000·s²/2 at s = 0.01 s
    assert belt.time_at(500.05) == pytest.approx(3.01, abs=1e-9)
    assert belt.time_at(500.0 + 500.0 + 70.0) == pytest.approx(4.07, abs=1e-12)


def test_a_travel_that_is_not_ahead_is_reached_at_the_start() -> None:
    belt = belt_of_line(Line(1000.0))
    assert belt.time_at(0.0) == 0.0
    assert belt.time_at(-30.0) == 0.0


def test_a_belt_at_rest_gets_nowhere() -> None:
    belt = belt_at_rest()
    assert belt.position(1e6) == belt.speed(1e6) == 0.0
    assert belt.time_at(1e-6) == math.inf
    assert belt.time_at(0.0) == 0.0
    assert belt.times_at(np.array([1e-6, 0.0])).tolist() == [math.inf, 0.0]


def test_the_speed_before_the_first_point_is_the_first_one() -> None:
    belt = belt_of_line(Line(1000.0, profile=((2.0, 400.0), (3.0, 600.0))))
    assert belt.position(2.0) == pytest.approx(800.0)
    assert belt.position(3.0) == pytest.approx(800.0 + 500.0)


def test_a_belt_that_waits_ramps_up_or_begins_its_profile() -> None:
    # 1000 mm/s at 500 mm/s²: 2 s and 1000 mm
    plain = belt_of_line(Line(1000.0, 500.0), start_s=3.0)
    assert (plain.position(3.0), plain.speed(3.0)) == (0.0, 0.0)
    assert plain.position(5.0) == pytest.approx(1000.0)
    assert plain.position(6.0) == pytest.approx(2000.0)
    points = ((0.5, 400.0), (1.5, 600.0))
    belt = belt_of_line(Line(1000.0, 500.0, points), start_s=3.0)
    assert belt.position(3.0) == 0.0
    assert belt.position(3.5) == pytest.approx(200.0)
    assert belt.position(4.5) == pytest.approx(700.0)


@few
@given(steps, st.floats(0.0, 4.0), steps)
def test_then_keeps_what_was_and_goes_on_without_a_jump(
    steps: list[tuple[float, float]], t: float, later: list[tuple[float, float]]
) -> None:
    belt = profile(steps)
    points = [(t + s, v) for s, v in speed_points(later)[1:]]
    changed = belt.then(t, points)
    for s in np.linspace(0.0, t, 7):
        assert changed.position(s) == pytest.approx(belt.position(s), rel=1e-12, abs=1e-9)
        assert changed.speed(s) == pytest.approx(belt.speed(s), abs=1e-9)
    curve = ((t, belt.speed(t)), *points)
    for s in (0.01, 0.4, 2.0, 5.0):
        # the area from t on, with the present speed as the first point
        moved = tuple((a - t, v) for a, v in curve)
        expected = belt.position(t) + trapezoids(moved, s)
        assert changed.position(t + s) == pytest.approx(expected, rel=1e-12, abs=1e-6)
    assert belt.position(t + 9.0) == profile(steps).position(t + 9.0)  # unchanged itself


def test_time_to_travel_by_hand() -> None:
    # v·s + a·s²/2: 10·2 + 3·4/2 = 26; slowing 10·2 − 3·4/2 = 14; it stops after 100/6 mm
    assert time_to_travel(26.0, 10.0, acceleration=3.0) == pytest.approx(2.0, rel=1e-15)
    assert time_to_travel(14.0, 10.0, acceleration=-3.0) == pytest.approx(2.0, rel=1e-15)
    assert time_to_travel(100.0 / 6.0 + 1e-6, 10.0, acceleration=-3.0) == math.inf
    assert time_to_travel(5.0, 0.0, acceleration=0.0) == math.inf
    # tiny accelerations lose no digits: d = 1, v = 1, a → 0 takes 1 − a/2
    assert time_to_travel(1.0, 1.0, acceleration=1e-12) == pytest.approx(1.0 - 5e-13, abs=1e-16)


# -- the speed that the controller sees ----------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_the_filtered_speed_solves_its_equation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = [
        (float(rng.choice([0.05, 0.3, 1.0])), float(rng.choice([0.0, 40.0, 1000.0])))
        for _ in range(4)
    ]
    belt, lag = profile(steps), float(rng.choice([0.005, 0.03, 0.3]))
    seen = ControllerSpeed(belt, scale_error=0.01, filter_s=lag)
    y = belt.speed(0.0) / 1.01  # settled
    t = 0.0
    for start, end in zip(belt.pieces, [*belt.pieces[1:], None], strict=True):
        stop = end.start_s if end else start.start_s + 1.0
        solved = solve_ivp(
            lambda s, y: (belt.speed(s) / 1.01 - y) / lag,
            (t, stop),
            [y],
            method="DOP853",
            rtol=1e-11,
            atol=1e-11,
            dense_output=True,
        )
        for s in np.linspace(t, stop, 5)[1:-1]:
            # 1e-6 of 1000 mm/s is what the solver's interpolation gives
            assert seen.at(s) == pytest.approx(float(solved.sol(s)[0]), abs=1e-6)
        t, y = stop, float(solved.y[0, -1])


def test_without_a_filter_the_controller_sees_the_counted_speed() -> None:
    belt = profile([(1.0, 40.0), (1.0, 1000.0)])
    seen = ControllerSpeed(belt, scale_error=-0.01, filter_s=0.0)
    for t in (0.0, 0.5, 1.0, 1.7, 2.2, 9.0):
        assert seen.at(t) == pytest.approx(belt.speed(t) / 0.99, rel=1e-12)


# -- ticks ---------------------------------------------------------------------------------------


def exact_tick(t: float, phase: float, period: float) -> Fraction:
    """Return phase + n·period, the first not before t − 1e-10, in exact fractions."""
    n = math.ceil((Fraction(t) - Fraction(phase) - Fraction(1, 10**10)) / Fraction(period))
    return Fraction(phase) + n * Fraction(period)


@few
@given(st.floats(0.0, 1e5), st.floats(0.0, 0.02), st.sampled_from([0.001, 0.002, 0.0031, 0.02]))
def test_the_next_tick_is_the_first_one(t: float, phase: float, period: float) -> None:
    tick = next_tick(t, phase, period=period)
    exact = exact_tick(t, phase, period)
    assert tick >= t
    # where t − 1e-10 is on a tick to the last digits, either neighbour is right
    below = exact_tick(t - 2e-11, phase, period), exact_tick(t + 2e-11, phase, period)
    assert min(abs(tick - float(e)) for e in (exact, *below)) < 1e-10 + 2e-11


@pytest.mark.parametrize("period", [0.001, 0.002, 0.0031, 0.02])
@pytest.mark.parametrize("after_s", [0.0, 1.0, 1e3, 1e5])
def test_an_instant_on_a_tick_belongs_to_it(period: float, after_s: float) -> None:
    # the tick worked out in two ways, and moved by the noise of a clock at 1e5 s (1.5e-11 s)
    phase = 0.00037
    first = round(after_s / period)
    for n in range(first, first + 50):
        tick = phase + n * period
        for t in (tick, (phase / period + n) * period, tick + 3e-11, tick - 3e-11):
            assert abs(next_tick(t, phase, period=period) - tick) < 1.2e-10
        assert next_tick(tick + 1e-9, phase, period=period) > tick + 0.5 * period


def test_a_tick_is_a_tick_again() -> None:
    t, phase = 0.0, 0.00037
    for n in range(2000):
        t = next_tick(t, phase, period=0.0031)
        assert t == pytest.approx(phase + n * 0.0031, abs=1e-9)
        assert next_tick(t, phase, period=0.0031) == t
        t += 0.5 * 0.0031


def test_no_period_means_at_once_and_never_stays_never() -> None:
    assert next_tick(0.123, 0.05, period=0.0) == 0.123
    assert next_tick(math.inf, 0.05, period=0.001) == math.inf
    assert next_tick(0.0, 0.02, period=0.03) == 0.02
    assert next_tick(0.0, 0.02, period=0.004) == pytest.approx(0.0, abs=1e-15)  # 0.02 − 5·0.004


def test_what_lies_ahead_of_an_instant_is_the_motion_from_then_on() -> None:
    # 100 mm/s to 2 s, to 300 within 1 s, a step to 50 at 4 s, to rest within 1 s.
    points = [(0.0, 100.0), (2.0, 100.0), (3.0, 300.0), (4.0, 300.0), (4.0, 50.0), (5.0, 0.0)]
    belt = belt_at_rest().then(0.0, points)
    for t in (0.0, 1.0, 2.0, 2.5, 3.5, 4.0, 4.5, 5.0, 6.0):
        again = belt.then(t, [(t, belt.speed(t)), *belt.points_after(t)])
        for later in (t, t + 0.3, t + 0.9, t + 1.7, t + 9.0):
            assert again.position(later) == pytest.approx(belt.position(later), rel=1e-12)
            assert again.speed(later) == pytest.approx(belt.speed(later), abs=1e-9)
    assert belt.points_after(2.5) == [
        (3.0, 300.0),
        (3.0, 300.0),
        (4.0, 300.0),
        (4.0, 50.0),
        (5.0, 0.0),
        (5.0, 0.0),
    ]
    assert belt.points_after(5.0) == []
