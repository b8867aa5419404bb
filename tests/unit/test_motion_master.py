"""The master: counts, points, and the tick at which a point acts, against stepping tick by tick."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.machine import Controller, Encoder, Line
from feedsim.motion.belt import belt_of_line
from feedsim.motion.master import Master

Points = tuple[tuple[float, float], ...]
HORIZON = 6.0
UNSURE_MM = 1e-7  # closer to a step than this, one cannot tell on which side of it


def speeds_at(points: Points, t: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.interp(t, [p[0] for p in points], [p[1] for p in points])


@dataclass
class ByStepping:
    """The same master, sampled at rising instants with nothing but the model's equations."""

    points: Points
    q: float
    scale: float
    phase: float
    filter_s: float

    def travel(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Belt travel: trapezoids between speed points, exact for straight lines."""
        nodes = np.array([p[0] for p in self.points])
        grid = np.unique(np.concatenate([[0.0], nodes, t]))
        v = speeds_at(self.points, grid)
        area = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(grid))])
        return np.asarray(area[np.searchsorted(grid, t)])

    def seen_speed(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """y' = (u − y)/T with u straight between samples, each step exact."""
        if not self.filter_s:
            return speeds_at(self.points, t) / self.scale
        nodes = np.array([p[0] for p in self.points])
        grid = np.unique(np.concatenate([[0.0], nodes, t]))
        u = speeds_at(self.points, grid) / self.scale
        y = [float(u[0])]
        for i, h in enumerate(np.diff(grid).tolist()):
            lag = float(u[i + 1] - u[i]) / h * self.filter_s
            fades = math.exp(-h / self.filter_s)
            y.append(float(u[i + 1]) - lag + (y[-1] - float(u[i]) + lag) * fades)
        return np.array(y)[np.searchsorted(grid, t)]

    def reached(
        self, mark: float, distance: float, lead: float, t: NDArray[np.float64], *, give: float
    ) -> NDArray[np.bool_]:
        """Tell at which instants c ≥ mark + E(y); ``give`` (mm) leans to yes, or to no if < 0."""
        travel, point = self.travel(t), distance - lead * self.seen_speed(t)
        if not self.q:
            return np.asarray(travel / self.scale + give >= mark + point)
        counts = np.floor((travel + give) / (self.scale * self.q) + self.phase)
        return np.asarray(counts >= mark + np.rint((point - give) / self.q))


@dataclass
class Case:
    master: Master
    stepping: ByStepping
    mark: float
    distance: float
    lead: float
    not_before: float
    cycle: float
    ticks_phase: float

    def act(self) -> float:
        return self.master.first_action(
            self.mark, self.distance, lead=self.lead, not_before=self.not_before
        )


def case(rng: np.random.Generator, *, cycle: float) -> Case:
    def pick(*values: float) -> float:
        return float(rng.choice(values))

    t, points = 0.0, []
    for _ in range(int(rng.integers(1, 6))):
        points.append((t, pick(0.0, 60.0, 1000.0, 1733.0)))
        t += pick(0.05, 0.4, 1.0)
    points.append((t, pick(60.0, 1000.0)))
    q, scale = pick(0.0, 0.05, 0.313, 4.0), 1.0 + pick(0.0, 0.003, -0.01)
    phase, filter_s = float(rng.random()), pick(0.0, 0.03, 0.3)
    ticks_phase = float(rng.uniform(0.0, 0.02))
    master = Master(
        belt_of_line(Line(1000.0, profile=tuple(points))),
        Encoder(q, scale - 1.0),
        controller=Controller(motion_cycle_s=cycle, speed_filter_s=filter_s),
        phase=phase,
        ticks_phase_s=ticks_phase,
    )
    captured = float(rng.uniform(0.0, 2.0))
    return Case(
        master=master,
        stepping=ByStepping(tuple(points), q, scale, phase if q else 0.0, filter_s),
        mark=master.reading(captured),
        distance=float(rng.uniform(0.0, 900.0)),
        lead=pick(0.0, 0.002, 0.03, 0.15, -0.02),
        not_before=captured + float(rng.uniform(0.0, 0.05)),
        cycle=cycle,
        ticks_phase=ticks_phase,
    )


def ticks_from(c: Case) -> NDArray[np.float64]:
    first = math.ceil((c.not_before - c.ticks_phase) / c.cycle - 1e-7)
    last = math.floor((HORIZON - c.ticks_phase) / c.cycle)
    return c.ticks_phase + c.cycle * np.arange(first, last)


def first_of(t: NDArray[np.float64], yes: NDArray[np.bool_]) -> float:
    where = np.flatnonzero(yes)
    return float(t[where[0]]) if len(where) else math.inf


@pytest.mark.parametrize("cycle", [0.001, 0.0025, 0.02])
@pytest.mark.parametrize("seed", range(5))
def test_the_acting_tick_is_the_first_at_which_the_point_is_reached(
    cycle: float, seed: int
) -> None:
    rng = np.random.default_rng([seed, round(cycle * 1e4)])
    acted = 0
    for _ in range(24):
        c = case(rng, cycle=cycle)
        t = ticks_from(c)
        rule = c.stepping.reached
        earliest = first_of(t, rule(c.mark, c.distance, c.lead, t, give=UNSURE_MM))
        latest = first_of(t, rule(c.mark, c.distance, c.lead, t, give=-UNSURE_MM))
        found = c.act()
        if min(earliest, found) > t[-1]:
            continue  # beyond the horizon
        acted += 1
        assert earliest - 1e-9 <= found <= latest + 1e-9, c
    assert acted > 12


@pytest.mark.parametrize("seed", range(6))
def test_without_a_motion_cycle_a_point_acts_at_the_instant_it_is_reached(seed: int) -> None:
    rng = np.random.default_rng([seed, 77])
    acted = 0
    for _ in range(20):
        c = case(rng, cycle=0.0)
        found = c.act()
        end = min(found, HORIZON)
        t = np.linspace(c.not_before, max(end - 1e-7, c.not_before), 1500)
        rule = c.stepping.reached
        if found > c.not_before + 1e-7:
            assert not rule(c.mark, c.distance, c.lead, t, give=-UNSURE_MM).any(), c
        if found < HORIZON:
            acted += 1
            at = np.array([found])
            # where the belt creeps 1e-7 mm is long: what counts is the travel, not the time
            assert rule(c.mark, c.distance, c.lead, at, give=UNSURE_MM).all(), c
    assert acted > 10


def test_a_planted_tick_too_late_is_found() -> None:
    # a point that is 5 mm farther on acts later than stepping allows, wherever it is not passed yet
    rng = np.random.default_rng(5)
    found = 0
    for _ in range(20):
        c = case(rng, cycle=0.001)
        t = ticks_from(c)
        latest = first_of(t, c.stepping.reached(c.mark, c.distance, c.lead, t, give=-UNSURE_MM))
        c.distance += 5.0
        found += t[0] < latest < c.act() - 0.0005
    assert found > 5


# -- by hand -------------------------------------------------------------------------------------


AT_ONCE = Controller()


def steady(
    speed: float = 1000.0,
    *,
    q: float = 0.0,
    scale_error: float = 0.0,
    phase: float = 0.0,
    controller: Controller = AT_ONCE,
) -> Master:
    return Master(
        belt_of_line(Line(speed)),
        Encoder(q, scale_error),
        controller=controller,
        phase=phase,
        ticks_phase_s=0.0003,
    )


def test_counts() -> None:
    # count n is reached at (1 + ε)·q·(n − φ): q = 0.5, ε = 0.01, φ = 0.2: n = 100 at 50.399 mm
    master = steady(q=0.5, scale_error=0.01, phase=0.2)
    at = 0.001 * 1.01 * 0.5 * 99.8
    assert master.reading(at) == 100.0  # on the count: reached
    assert master.reading(at + 1e-7) == 100.0
    assert master.reading(at - 1e-7) == 99.0
    assert master.reading(0.0) == 0.0
    # first at the count that is 30 on: 130 at 0.505·129.8 mm
    assert master.first_action(100.0, 15.0, lead=0.0, not_before=at) == pytest.approx(0.065549)


def test_without_counts_the_reading_is_counted_travel() -> None:
    master = steady(scale_error=0.01)
    assert master.reading(0.101) == pytest.approx(100.0)
    assert master.first_action(100.0, 50.0, lead=0.0, not_before=0.0) == pytest.approx(0.1515)


def test_the_rounding_of_a_point_is_half_to_even() -> None:
    master = steady(q=1.0)
    # 2.5 → 2, 3.5 → 4, 2.51 → 3
    for distance, counts in [(2.5, 2.0), (3.5, 4.0), (2.51, 3.0)]:
        assert master.point_travel(distance, 0.0, t=0.0) == counts


def test_a_point_that_is_passed_acts_at_the_next_tick_not_before() -> None:
    master = steady(controller=Controller(motion_cycle_s=0.001))
    # point at 150 mm = 0.15 s; known at 0.2001 s: tick 0.2003 s; on a tick: that one
    assert master.first_action(100.0, 50.0, lead=0.0, not_before=0.2001) == pytest.approx(0.2003)
    assert master.first_action(100.0, 50.0, lead=0.0, not_before=0.2003) == pytest.approx(0.2003)
    assert master.past(100.0, 50.0, lead=0.0, t=0.2) == pytest.approx(50.0)
    assert master.past(100.0, 50.0, lead=0.03, t=0.2) == pytest.approx(80.0)
    assert master.past(100.0, 150.0, lead=0.0, t=0.2) == pytest.approx(-50.0)


def test_a_lead_takes_the_speed_of_the_tick_at_which_it_acts() -> None:
    # 1000 mm/s; from 1 s on down to 500 mm/s within 1 s: v = 1000 − 500·s, m = 1000 + 1000·s −
    # 250·s². Point 1400 − 0.2·v = 1200 + 100·s: 250·s² − 900·s + 200 = 0, s = (900 − √610000)/500.
    points = ((0.0, 1000.0), (1.0, 1000.0), (2.0, 500.0))
    master = Master(
        belt_of_line(Line(1000.0, profile=points)),
        Encoder(),
        controller=Controller(),
        phase=0.0,
        ticks_phase_s=0.0,
    )
    expected = 1.0 + (900.0 - math.sqrt(610_000.0)) / 500.0
    found = master.first_action(0.0, 1400.0, lead=0.2, not_before=0.0)
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_belt_that_stops_for_good_short_of_the_point_never_acts() -> None:
    points = ((0.0, 1000.0), (1.0, 0.0))
    for q in (0.0, 0.05):
        for cycle in (0.0, 0.001):
            master = Master(
                belt_of_line(Line(1000.0, profile=points)),
                Encoder(q),
                controller=Controller(motion_cycle_s=cycle),
                phase=0.0,
                ticks_phase_s=0.0,
            )
            assert master.first_action(0.0, 501.0, lead=0.0, not_before=0.0) == math.inf
            assert master.first_action(0.0, 499.0, lead=0.0, not_before=0.0) < 1.0


@pytest.mark.parametrize("q", [0.0, 0.05])
def test_slowing_down_may_carry_a_point_away_from_the_belt(q: float) -> None:
    # With a lead of 0.6 s and 1000 mm/s falling by 500 mm/s²: the point runs ahead at 300 mm/s.
    # Point 1500 − 0.6·1000 = 900 mm: the belt passes it at 0.9 s, before the slowing from 1 s on.
    points = ((0.0, 1000.0), (1.0, 1000.0), (2.0, 500.0))
    master = Master(
        belt_of_line(Line(1000.0, profile=points)),
        Encoder(q),
        controller=Controller(motion_cycle_s=0.001),
        phase=0.0,
        ticks_phase_s=0.0,
    )
    found = master.first_action(0.0, 1500.0, lead=0.6, not_before=0.0)
    assert found == pytest.approx(0.9, abs=1e-9)
    # asked for later, the point of that instant counts: 1500 − 0.6·500 = 1200 mm at 2 s, passed
    assert master.first_action(0.0, 1500.0, lead=0.6, not_before=2.0) == pytest.approx(2.0)
