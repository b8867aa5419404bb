"""The feed's motion against a general solver, and what must hold of it at any time."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp

from feedsim.machine import Line, Servo
from feedsim.motion.belt import BeltMotion, belt_of_line
from feedsim.motion.feed import FeedMotion, Ramp

EPSILON, RATIO = 0.004, 1.07
STEP = Ramp(0.0, in_travel=False)


@dataclass
class Plain:
    """Engagement and command as the model words them, by quadrature; no closed form of the feed.

    ``acts``: (time, r wanted, ramp); r runs from where it is, at the slope of a full ramp.
    """

    belt: Callable[[float], float]
    speed: Callable[[float], float]
    nodes: list[float]
    acts: list[tuple[float, float, Ramp]] = field(default_factory=list)
    jogs: list[tuple[float, float, float]] = field(default_factory=list)

    def engagement(self, t: float) -> float:
        r = 0.0
        ends = [*(act[0] for act in self.acts[1:]), math.inf]
        for (start, target, ramp), end in zip(self.acts, ends, strict=True):
            if t < start:
                break
            stop = min(t, end)
            if ramp.in_travel:
                ran = (self.belt(stop) - self.belt(start)) / (1.0 + EPSILON)
            else:
                ran = stop - start
            by = ran / ramp.length if ramp.length else 1.0
            r = min(target, r + by) if target > r else max(target, r - by)
        return r

    def command_speed(self, t: float) -> float:
        for start, stop, speed in self.jogs:
            if start <= t < stop:
                return speed
        return RATIO / (1.0 + EPSILON) * self.speed(t) * self.engagement(t)

    def breaks(self, horizon: float) -> list[float]:
        """Return the instants at which the command's law changes."""
        found = {0.0, horizon, *self.nodes}
        ends = [*(act[0] for act in self.acts[1:]), horizon]
        for (start, target, _), end in zip(self.acts, ends, strict=True):
            found |= {start, self.ramp_end(start, target, end)}
        for start, stop, _ in self.jogs:
            found |= {start, stop}
        return sorted(t for t in found if 0.0 <= t <= horizon)

    def ramp_end(self, start: float, target: float, end: float) -> float:
        """Bisect for the end of a ramp that the next act, at ``end``, may cut short."""
        low, high = start, end - 1e-12
        if self.engagement(high) != target:
            return end
        for _ in range(80):
            middle = 0.5 * (low + high)
            if self.engagement(middle) == target:
                high = middle
            else:
                low = middle
        return high


def solved(
    plain: Plain, servo: Servo, horizon: float
) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Return p(t) and f(t) by integration from break to break."""
    gain, forward = servo.loop_gain_per_s, servo.velocity_feedforward
    stretches = []
    p, lag = 0.0, 0.0
    breaks = plain.breaks(horizon)
    for start, end in itertools.pairwise(breaks):
        inside = 0.5 * (start + end)

        def rates(t: float, x: NDArray[np.float64], inside: float = inside) -> list[float]:
            # just inside the stretch: at its ends the law may already be the next one's
            rate = plain.command_speed(t + (inside - t) * 1e-12)
            return [rate, (1.0 - forward) * rate - (gain * x[1] if gain < math.inf else 0.0)]

        got = solve_ivp(
            rates, (start, end), [p, lag], "DOP853", dense_output=True, rtol=1e-10, atol=1e-11
        )
        stretches.append((start, end, got.sol))
        p, lag = float(got.y[0, -1]), float(got.y[1, -1])

    def state(t: float) -> NDArray[np.float64]:
        for start, end, sol in stretches:
            if start <= t <= end:
                return np.asarray(sol(t))
        raise AssertionError

    def position(t: float) -> float:
        p, e = state(t)
        return float(p) if gain == math.inf else float(p - e)

    return lambda t: float(state(t)[0]), position


SERVOS = {
    "rigid": Servo(),
    "stiff": Servo(loop_gain_per_s=200.0, velocity_feedforward=0.8),
    "soft": Servo(loop_gain_per_s=20.0),
    "all forward": Servo(loop_gain_per_s=50.0, velocity_feedforward=1.0),
}


def profile(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    t, points = 0.0, []
    for _ in range(5):
        points.append((t, float(rng.choice([0.0, 60.0, 400.0, 1000.0]))))
        t += float(rng.uniform(0.05, 0.4))
    return (*points, (t, 700.0))


def ramp(rng: np.random.Generator) -> Ramp:
    if rng.random() < 0.5:
        return Ramp(float(rng.choice([0.0, 0.02, 0.2])), in_travel=False)
    return Ramp(float(rng.choice([5.0, 60.0])), in_travel=True)


def random_run(
    rng: np.random.Generator, servo: Servo, horizon: float
) -> tuple[FeedMotion, Plain, BeltMotion]:
    """Return a feed with a random sequence of acts, some of which cut a ramp short."""
    belt = belt_of_line(Line(1000.0, profile=profile(rng)))
    feed = FeedMotion(belt, scale_error=EPSILON, ratio=RATIO, servo=servo)
    plain = Plain(belt.position, belt.speed, [p.start_s for p in belt.pieces])
    t, closed = 0.0, False
    if rng.random() < 0.4:
        stop = float(rng.uniform(0.02, 0.2))
        feed.jog(0.0, 80.0)
        feed.jog(stop, 0.0)
        plain.jogs.append((0.0, stop, 80.0))
        t = stop
    while True:
        t += float(rng.choice([0.008, 0.05, 0.3]))
        if t > horizon:
            return feed, plain, belt
        how = ramp(rng)
        closed = not closed
        (feed.engage if closed else feed.open)(t, how)
        plain.acts.append((t, 1.0 if closed else 0.0, how))


@pytest.mark.parametrize("name", SERVOS)
@pytest.mark.parametrize("seed", range(6))
def test_the_feed_solves_its_equations(name: str, seed: int) -> None:
    rng = np.random.default_rng([seed, len(name)])
    horizon = 1.5
    feed, plain, _ = random_run(rng, SERVOS[name], horizon)
    command, position = solved(plain, SERVOS[name], horizon)
    for t in np.linspace(0.0, horizon, 60):
        assert feed.engagement(t) == pytest.approx(plain.engagement(t), abs=1e-9)
        # 1e-6 mm over hundreds of mm: what the solver gives
        assert feed.command(t) == pytest.approx(command(t), abs=1e-6)
        assert feed.position(t) == pytest.approx(position(t), abs=1e-6)


@pytest.mark.parametrize("name", SERVOS)
@pytest.mark.parametrize("seed", range(4))
def test_time_at_and_speed_belong_to_position(name: str, seed: int) -> None:
    rng = np.random.default_rng([seed, 7, len(name)])
    feed, plain, _ = random_run(rng, SERVOS[name], 1.5)
    breaks = plain.breaks(1.5)
    travels = [feed.position(t) for t in np.linspace(0.0, 1.5, 80)]
    assert travels == sorted(travels)  # the feed never runs back
    for target in np.linspace(0.01, travels[-1] - 0.01, 40):
        t = feed.time_at(target)
        assert feed.position(t) == pytest.approx(target, abs=1e-8)
        assert feed.position(max(t - 1e-4, 0.0)) <= target + 1e-12  # the first time
    for t in np.linspace(0.01, 1.49, 60):
        h = 1e-6
        if min(abs(t - b) for b in breaks) > 2.0 * h:
            slope = (feed.position(t + h) - feed.position(t - h)) / (2.0 * h)
            assert feed.speed(t) == pytest.approx(slope, rel=1e-5, abs=1e-3)


def test_the_command_of_a_cycle_by_hand() -> None:
    # 1000 mm/s, g = 1, ε = 0: ramp-in 0.1 s costs half its travel, 50 mm; ramp-out 0.05 s gives 25.
    feed = steady_feed(Servo())
    feed.engage(0.2, Ramp(0.1, in_travel=False))
    feed.open(0.5, Ramp(0.05, in_travel=False))
    assert feed.command(0.2) == 0.0
    assert feed.command(0.3) == pytest.approx(50.0)
    assert feed.command(0.5) == pytest.approx(250.0)
    assert feed.rest() == (pytest.approx(0.55), pytest.approx(275.0))
    assert feed.position(9.0) == pytest.approx(275.0)
    assert feed.speed(0.25) == pytest.approx(500.0)
    assert feed.time_at(275.1) == math.inf


def steady_feed(servo: Servo) -> FeedMotion:
    return FeedMotion(belt_of_line(Line(1000.0)), scale_error=0.0, ratio=1.0, servo=servo)


@pytest.mark.parametrize("in_travel", [False, True])
def test_a_ramp_in_that_is_cut_short_falls_from_where_it_is(in_travel: bool) -> None:
    # Ramp-in 0.1 s (100 mm) cut after 0.04 s: r = 0.4, so 8 mm; a full ramp-out of 0.05 s (50 mm)
    # falls to 0 within 0.4·0.05 = 0.02 s: 0.4·20/2 = 4 mm more.
    unit = 1000.0 if in_travel else 1.0
    feed = steady_feed(Servo())
    feed.engage(0.2, Ramp(0.1 * unit, in_travel))
    feed.open(0.24, Ramp(0.05 * unit, in_travel))
    assert feed.engagement(0.24) == pytest.approx(0.4)
    assert feed.engagement(0.25) == pytest.approx(0.2)
    assert feed.rest() == (pytest.approx(0.26), pytest.approx(12.0))


def test_a_lag_at_steady_speed_is_the_textbook_following_error() -> None:
    # (1 − k)·v/K = 0.2·1000/200 = 1 mm
    feed = steady_feed(SERVOS["stiff"])
    feed.engage(0.0, STEP)
    assert feed.command(1.0) - feed.position(1.0) == pytest.approx(1.0, abs=1e-9)
    feed.open(1.0, STEP)
    # at rest the lag runs out as e^(−K·t)
    assert feed.command(2.0) - feed.position(1.01) == pytest.approx(math.exp(-2.0), abs=1e-9)


def test_jog_runs_at_its_own_speed_whatever_the_belt_does() -> None:
    feed = steady_feed(SERVOS["soft"])
    feed.jog(0.1, 100.0)
    assert feed.rest()[0] == math.inf
    feed.jog(1.1, 0.0)
    assert feed.rest() == (1.1, pytest.approx(100.0))
    # lag of K = 20/s: v/K·(1 − e^(−20·s)) with s = 0.5 s
    assert feed.position(0.6) == pytest.approx(50.0 - 5.0 * (1.0 - math.exp(-10.0)), abs=1e-9)


def test_nothing_moves_before_it_is_told_to() -> None:
    feed = steady_feed(Servo())
    assert feed.position(5.0) == feed.speed(5.0) == feed.engagement(5.0) == 0.0
    assert feed.time_at(1e-6) == math.inf
    assert feed.time_at(-60.0) == 0.0


# -- another belt motion -------------------------------------------------------------------------


@pytest.mark.parametrize("name", SERVOS)
@pytest.mark.parametrize("in_travel", [False, True])
@pytest.mark.parametrize("change", [0.1, 0.2, 0.23, 0.3, 0.5, 0.52, 0.55, 0.58, 0.7])
def test_following_another_belt_is_as_if_it_had_been_known(
    name: str, in_travel: bool, change: float
) -> None:
    """Closed at 0.2 s, opened at 0.5 s, and the belt slows down from ``change`` on."""
    unit = 1000.0 if in_travel else 1.0
    acts = [(0.2, True, Ramp(0.08 * unit, in_travel)), (0.5, False, Ramp(0.06 * unit, in_travel))]
    before = belt_of_line(Line(1000.0))
    after = before.then(change, [(change + 0.1, 300.0)])

    def feed_on(belt: BeltMotion) -> FeedMotion:
        return FeedMotion(belt, scale_error=EPSILON, ratio=RATIO, servo=SERVOS[name])

    known, told = feed_on(after), feed_on(before)
    pending = True
    for t, closes, how in acts:
        if pending and change <= t:
            told.follow(after, change)
            pending = False
        for feed in (known, told):
            (feed.engage if closes else feed.open)(t, how)
    if pending:
        told.follow(after, change)
    for t in np.linspace(0.0, 1.2, 49):
        assert told.engagement(t) == pytest.approx(known.engagement(t), abs=1e-9)
        assert told.command(t) == pytest.approx(known.command(t), abs=1e-9)
        assert told.position(t) == pytest.approx(known.position(t), abs=1e-9)


@pytest.mark.parametrize("ramp", [STEP, Ramp(0.05, in_travel=False), Ramp(40.0, in_travel=True)])
def test_a_belt_change_leaves_an_act_that_is_still_to_come_where_it_is(ramp: Ramp) -> None:
    """With a command delay the clutch is told at one instant and moves at a later one."""
    before = belt_of_line(Line(1000.0))
    after = before.then(0.21, [(0.31, 300.0)])
    told = FeedMotion(before, scale_error=0.0, ratio=1.0, servo=Servo())
    told.engage(0.22, ramp)  # told at 0.2 s, command delay 20 ms
    told.follow(after, 0.21)
    known = FeedMotion(after, scale_error=0.0, ratio=1.0, servo=Servo())
    known.engage(0.22, ramp)
    for t in (0.205, 0.212, 0.219, 0.221, 0.24, 0.4):
        assert told.engagement(t) == pytest.approx(known.engagement(t), abs=1e-9)
        assert told.position(t) == pytest.approx(known.position(t), abs=1e-9)


def test_a_belt_change_leaves_a_feed_at_rest_where_and_when_it_came_to_rest() -> None:
    before = belt_of_line(Line(1000.0))
    feed = FeedMotion(before, scale_error=0.0, ratio=1.0, servo=Servo())
    feed.engage(0.2, STEP)
    feed.open(0.5, Ramp(0.1, in_travel=False))
    assert feed.rest() == (pytest.approx(0.6), pytest.approx(350.0))
    feed.follow(before.then(0.7, [(0.8, 300.0)]), 0.7)
    assert feed.rest() == (pytest.approx(0.6), pytest.approx(350.0))


def test_the_command_is_the_area_under_its_speed() -> None:
    # travel ramp on a slowing belt: p' = g·v·r with r linear in travel, by quadrature
    belt = belt_of_line(Line(1000.0, profile=((0.0, 1000.0), (0.4, 200.0))))
    feed = FeedMotion(belt, scale_error=0.0, ratio=1.0, servo=Servo())
    feed.engage(0.1, Ramp(60.0, in_travel=True))

    def rate(t: float) -> float:
        return belt.speed(t) * min(1.0, (belt.position(t) - belt.position(0.1)) / 60.0)

    end = belt.time_at(belt.position(0.1) + 60.0)
    for t in (0.12, 0.15, 0.3):
        area = quad(rate, 0.1, t, points=[end] if end < t else None, epsabs=1e-11)[0]
        assert feed.command(t) == pytest.approx(area, abs=1e-8)


def test_pieces_that_are_dropped_change_nothing_later() -> None:
    rng = np.random.default_rng(3)
    feed, _, _ = random_run(rng, SERVOS["stiff"], 1.5)
    times = np.linspace(1.0, 1.5, 21)
    before = [(feed.position(t), feed.speed(t)) for t in times]
    targets = [feed.position(t) for t in times[1:]]
    reached = [feed.time_at(f) for f in targets]
    start = len(feed.pieces)
    feed.forget_before(1.0)
    assert len(feed.pieces) < start
    assert [(feed.position(t), feed.speed(t)) for t in times] == before
    assert [feed.time_at(f) for f in targets] == reached
    assert feed.time_at(feed.position(1.0) - 200.0) == -math.inf
