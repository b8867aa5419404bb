"""The pieces of the plain implementation against SciPy's integrators and brute force."""

from __future__ import annotations

import math
from functools import partial
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from feedsim.machine import (
    Clutch,
    DoubleCheck,
    Encoder,
    Eye,
    Feeder,
    Inserts,
    Line,
    Servo,
    Settings,
)
from tests.reference.plain_motion import Belt, Curve, Feed
from tests.reference.plain_points import Controller, Corrections, Point, Ticks

PROFILE = ((0.3, 200.0), (1.0, 1000.0), (1.5, 1000.0), (1.9, 0.0), (2.2, 0.0), (3.0, 700.0))
LINE = Line(speed_mm_s=1000.0, acceleration_mm_s2=500.0, profile=PROFILE)


def speed_of_profile(t):
    times, speeds = zip(*PROFILE, strict=True)
    return np.interp(t, times, speeds)  # NumPy holds both ends, as the model does


def feeder(*, clutch, servo, ratio=1.0):
    return Feeder(
        eye_to_placement_mm=700.0,
        insert_eye_to_placement_mm=240.0,
        grip_end_mm=-20.0,
        nose_limit_mm=200.0,
        jog_speed_mm_s=200.0,
        inserts=Inserts(length_mm=148.0, gap_mm=20.0),
        eye=Eye(),
        double_check=DoubleCheck(),
        clutch=clutch,
        servo=servo,
        settings=Settings(20.0, 120.0, 600.0, 0.0, 120.0, 0.0, speed_ratio=ratio),
    )


def test_curve_crosses_where_its_factors_say():
    # (t − 1)(t − 2)(t − 4) = t³ − 7t² + 14t − 8
    curve = Curve([-8.0, 14.0, -7.0, 1.0])
    assert curve.roots(0.0, 5.0) == pytest.approx([1.0, 2.0, 4.0], rel=1e-14)
    assert curve.first_at_least(0.0, 1.5, 3.0) == 1.5
    assert curve.first_at_least(0.0, 2.5, 5.0) == pytest.approx(4.0, rel=1e-14)
    assert curve.first_at_least(0.0, 2.5, 3.5) is None


def test_curve_with_an_exponential_crosses_where_lambert_says():
    # t + exp(−t) = 2: t = 2 + W(−exp(−2)), W from SciPy
    from scipy.special import lambertw

    expected = 2.0 + lambertw(-math.exp(-2.0)).real
    assert Curve([0.0, 1.0], 1.0, 1.0).roots(0.0, 9.0, 2.0) == pytest.approx([expected], rel=1e-14)


def solve(rates, start, end, state, *, kinks=(), event=None):
    """Integrate from kink to kink; return the times, the states and the end."""
    cuts = [start, *(t for t in kinks if start < t < end), end]
    times, states = [start], [np.array(state)]
    for a, b in pairwise(cuts):
        part = solve_ivp(
            rates, (a, b), states[-1], method="DOP853", events=event, rtol=1e-12, atol=1e-10
        )
        times += list(part.t[1:])
        states += list(part.y.T[1:])
        if part.status == 1:
            break
    return times, states


@pytest.mark.parametrize("filter_s", [0.02, 0.05])
def test_belt_and_filter_agree_with_an_integrator(filter_s):
    belt = Belt(LINE, 0.01, filter_s=filter_s)

    def rates(t, state):
        v = speed_of_profile(t)
        return [v, (v / 1.01 - state[1]) / filter_s]

    kinks = [t for t, _ in PROFILE]
    times, states = solve(rates, 0.0, 4.0, [0.0, 200.0 / 1.01], kinks=kinks)
    assert [belt.travel(t) for t in times] == pytest.approx([y[0] for y in states], abs=1e-8)
    filtered = [belt.controller_speed(t) for t in times]
    assert filtered == pytest.approx([y[1] for y in states], abs=1e-8)


def test_without_a_filter_the_controller_speed_is_the_belt_speed():
    belt = Belt(LINE, 0.01, filter_s=0.0)
    for t in np.linspace(0.0, 4.0, 41):
        assert belt.controller_speed(t) * 1.01 == pytest.approx(speed_of_profile(t), abs=1e-9)


def test_time_at_a_travel_is_the_first_time():
    belt = Belt(LINE, 0.0, filter_s=0.0)
    # by hand: 60 + 420 + 500 + 200 = 1180 mm until the belt stands from 1.9 to 2.2 s
    assert belt.travel(2.0) == pytest.approx(1180.0, abs=1e-9)
    assert belt.time_at(1180.0) == pytest.approx(1.9, abs=1e-6)
    assert belt.time_at(-5.0) == 0.0
    for m in (1.0, 60.0, 61.0, 479.0, 700.0, 1100.0, 1181.0, 5000.0):
        assert belt.travel(belt.time_at(m)) == pytest.approx(m, abs=1e-9)


def test_belt_that_rests_first_ramps_at_the_line_acceleration():
    belt = Belt(Line(1000.0, 500.0), 0.0, filter_s=0.02, rest_until_s=3.0)
    assert belt.travel(3.0) == 0.0
    assert belt.controller_speed(3.0) == 0.0
    # by hand: 2 s at 500 mm/s² is 1000 mm
    assert belt.time_at(1000.0) == pytest.approx(5.0, abs=1e-12)
    assert belt.time_at(2000.0) == pytest.approx(6.0, abs=1e-12)
    # filter behind a ramp, by hand: a·(h − T + T·exp(−h/T))
    h, t = 0.05, 0.02
    assert belt.controller_speed(3.0 + h) == pytest.approx(
        500.0 * (h - t + t * math.exp(-h / t)), rel=1e-12
    )


@pytest.mark.parametrize("travel_ramp", [False, True])
@pytest.mark.parametrize(("close_at", "open_at"), [(0.9, 1.6), (0.95, 0.97)])
def test_feed_agrees_with_an_integrator(travel_ramp, close_at, open_at):
    ramp_in, ramp_out = (40.0, 30.0) if travel_ramp else (0.05, 0.04)
    gain, forward, ratio, scale = 50.0, 0.4, 1.05, 1.01
    feed = Feed(
        feeder(
            clutch=Clutch(travel_ramp=travel_ramp, ramp_in=ramp_in, ramp_out=ramp_out),
            servo=Servo(loop_gain_per_s=gain, velocity_feedforward=forward),
            ratio=ratio,
        )
    )
    feed.belt = Belt(LINE, scale - 1.0, filter_s=0.0)
    feed.close(close_at)
    feed.open(open_at)

    def rates(rate, t, state):
        r, p, f = state
        v = speed_of_profile(t) / scale
        command = ratio * r * v
        return [rate * (v if travel_ramp else 1.0), command, gain * (p - f) + forward * command]

    def full(t, state):
        return state[0] - 1.0

    def none(t, state):
        return state[0]

    full.terminal = none.terminal = True
    full.direction, none.direction = 1.0, -1.0
    kinks = [t for t, _ in PROFILE]
    times, states = solve(
        partial(rates, 1.0 / ramp_in), close_at, open_at, [0.0] * 3, kinks=kinks, event=full
    )
    for rate, until, event in (
        (0.0, open_at, None),
        (-1.0 / ramp_out, 2.4, none),
        (0.0, 2.4, None),
    ):
        if times[-1] < until:
            more, further = solve(
                partial(rates, rate), times[-1], until, states[-1], kinks=kinks, event=event
            )
            times += more
            states += further
    assert [feed.command(t) for t in times] == pytest.approx([y[1] for y in states], abs=1e-7)
    assert [feed.travel(t) for t in times] == pytest.approx([y[2] for y in states], abs=1e-7)


def test_lag_on_a_cubic_piece_agrees_with_a_matrix_exponential():
    # d' = −K·d + (1−k)·w with w = w0 + w1·t + w2·t² + w3·t³ as a linear system
    gain, forward, t = 35.0, 0.25, 0.06
    w = [300.0, 2.0e4, -1.0e5, 4.0e5]
    feed = Feed(feeder(clutch=Clutch(), servo=Servo(gain, forward)))
    curve = feed._lag_curve(w, 7.0)
    system = np.zeros((5, 5))
    system[0, 0], system[0, 1] = -gain, 1.0 - forward
    system[1, 2] = system[2, 3] = system[3, 4] = 1.0  # w, w', w'', w'''
    start = [7.0, w[0], w[1], 2.0 * w[2], 6.0 * w[3]]
    expected = (expm(system * t) @ start)[0]
    assert curve.at(t) == pytest.approx(expected, rel=1e-12)


def test_feed_time_is_the_inverse_of_feed_travel():
    feed = Feed(feeder(clutch=Clutch(ramp_in=0.04, ramp_out=0.04), servo=Servo(60.0, 0.3)))
    feed.belt = Belt(Line(1000.0), 0.0, filter_s=0.0)
    feed.close(0.5)
    feed.open(1.0)
    for f in (1e-3, 1.0, 15.0, 200.0, 490.0, 499.9, 499.9999):
        assert feed.travel(feed.time_at(f)) == pytest.approx(f, abs=1e-9)
    # by hand: 0.5 s between two equal ramps at 1000 mm/s is 500 mm; the feed creeps up to it
    assert feed.command(2.0) == pytest.approx(500.0, abs=1e-9)
    assert feed.time_at(500.001) == math.inf


# --- points --------------------------------------------------------------------------


def controller(*, count, filter_s, cycle):
    belt = Belt(LINE, 0.002, filter_s=filter_s)
    encoder = Encoder(count_mm=count, scale_error=0.002)
    return Controller(belt, encoder, phase=0.37, motion=Ticks(0.00021, cycle))


@pytest.mark.parametrize("count", [0.0, 0.1])
@pytest.mark.parametrize("filter_s", [0.0, 0.03])
@pytest.mark.parametrize("distance", [150.0, 390.0, 610.0, 1000.0, 1400.0])
def test_first_tick_is_the_one_that_plain_stepping_finds(count, filter_s, distance):
    control = controller(count=count, filter_s=filter_s, cycle=0.001)
    captured = control.reading(0.1)
    point = Point(captured, distance, 0.05)
    n = control.motion.number(0.1)
    while not control.holds(point, control.motion.time(n)):
        n += 1
    assert control.first(point, 0.1) == control.motion.time(n)
    assert control.first(point, 0.1, control.motion.time(n)) is None


@pytest.mark.parametrize("count", [0.0, 0.5])
@pytest.mark.parametrize("filter_s", [0.0, 0.03])
@pytest.mark.parametrize("distance", [150.0, 390.0, 610.0, 1000.0, 1154.5, 1400.0])
def test_first_instant_without_ticks_has_none_before_it(count, filter_s, distance):
    control = controller(count=count, filter_s=filter_s, cycle=0.0)
    point = Point(control.reading(0.1), distance, 0.05)
    found = control.first(point, 0.1)
    # just behind it the point is passed, and at no instant of a fine grid before it is it
    assert control.holds(point, found + 1e-8)
    grid = np.append(np.arange(0.1, found - 1e-8, 1e-4), found - 1e-8)
    assert not any(control.holds(point, t) for t in grid)


def test_a_tick_within_the_tolerance_belongs_to_its_instant():
    ticks = Ticks(0.25, 0.5)
    assert ticks.at_or_after(0.75 + 5e-11) == 0.75 + 5e-11  # not dated before its cause
    assert ticks.at_or_after(0.75 + 2e-10) == 1.25
    assert ticks.at_or_after(0.1) == 0.25
    assert Ticks(0.25, 0.0).at_or_after(0.1) == 0.1


def test_a_count_is_reached_within_the_tolerance():
    control = Controller(
        Belt(Line(1000.0), 0.0, filter_s=0.0), Encoder(0.5), phase=0.0, motion=Ticks(0.0, 0.0)
    )
    assert control.reading(1.0) == 2000
    assert control.reading(1.0 - 5e-13) == 2000  # 5e-10 mm short
    assert control.reading(1.0 - 2e-12) == 1999
    assert [control.whole(x) for x in (0.25, 0.75, 1.25)] == [0, 2, 2]  # half to even


def test_corrections_are_found_by_time():
    corrections = Corrections()
    corrections.set(1.0, 0.0)
    corrections.set(2.0, 5.0)
    assert list(corrections.spans(1.5)) == [(1.5, 2.0, 0.0), (2.0, math.inf, 5.0)]
    assert list(corrections.spans(2.0 - 1e-11)) == [(2.0, math.inf, 5.0)]
