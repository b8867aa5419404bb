"""Stops by chance: availability, jams, clearing times, against probability."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from simpy import Event

from feedsim.draws.line_draws import RunDraws
from feedsim.draws.stops import clearing_times
from feedsim.draws.streams import stream
from feedsim.machine import Clearing, Hazard, Inserts, Machine, StopRules, Supervision
from feedsim.metrics.stops import line_stops
from feedsim.records.columns import RunRecords
from feedsim.records.stop import Rule
from feedsim.simulation.clock import Order, Part, Steps
from feedsim.simulation.line import LineRun, simulate
from tests.machines import feeder, machine, mean_of, share_of

STEEP = StopRules(stop_deceleration_mm_s2=1e9, clearing=Clearing(20.0, exponential=True))
"""A belt that stops and, with its acceleration, starts at once: what is left is down or up."""


def steep_line() -> Machine:
    base = machine()
    line = replace(base.line, acceleration_mm_s2=1e9)
    return replace(base, line=line, supervision=Supervision(STEEP))


class PoissonTrips(Part):
    """Trips a running line after exponential times."""

    def __init__(self, run: LineRun, gaps_s: list[float]) -> None:
        super().__init__(run.clock)
        self._line, self._gaps = run, iter(gaps_s)

    def run(self) -> Steps:
        supervisor = self._line.supervisor
        assert supervisor is not None
        while True:
            yield self.clock.at(self.clock.now + next(self._gaps), Order.BELT.of(1))
            restarts, line_goes_on = self.clock.event(), supervisor.on_running

            def goes_on(
                restarts: Event = restarts, then: Callable[[], None] = line_goes_on
            ) -> None:
                then()
                restarts.succeed()

            supervisor.on_running = goes_on
            supervisor.report(Rule.JAM)
            yield restarts
            supervisor.on_running = line_goes_on


def with_poisson_trips(mean_s: float) -> RunRecords:
    line = steep_line()
    gaps = stream(3, "trips of the test").standard_exponential(5000) * mean_s
    run = LineRun(line, RunDraws(line, 3), carriers=6000)
    run.parts.append(PoissonTrips(run, gaps.tolist()))
    return run.run()


def availability_z(records: RunRecords, *, mean_up_s: float, mean_down_s: float) -> float:
    """Return how many standard errors the mean logit of up and down times is off the theory.

    Renewal theory: availability = E(up)/(E(up) + E(down)), whatever their distributions (Ross,
    Introduction to Probability Models, alternating renewal processes). By the delta method the
    relative error of mean up over mean down is √(cv²/n + cv²/n).
    """
    stops = records.stops
    starts = [0.0, *(s.restarted_s for s in stops)]
    up = np.array([s.time_s for s in stops]) - np.array(starts[:-1])
    down = np.array([s.restarted_s - s.time_s for s in stops])
    assert len(stops) > 150
    log_ratio = math.log(up.mean() / down.mean())
    error = math.sqrt(sum((x.std(ddof=1) / x.mean()) ** 2 / len(x) for x in (up, down)))
    return (log_ratio - math.log(mean_up_s / mean_down_s)) / error


def test_availability_with_poisson_trips() -> None:
    records = with_poisson_trips(8.0)
    # a kept or half-fed insert: up to 2.2 s of jog on top of 20 s, the same at each stop on average
    jogs = mean_of([s.restarted_s - s.steps[0].time_s for s in records.stops]).mean
    assert 0.0 <= jogs < 2.3
    z = availability_z(records, mean_up_s=8.0, mean_down_s=20.0 + jogs)
    assert abs(z) < 4.0
    figures = line_stops(records)
    whole = figures.uptime_s + figures.downtime_s
    assert figures.availability == pytest.approx(figures.uptime_s / whole, rel=1e-12)
    # and the figure itself, within what 170 stops can tell
    error = 4.0 * math.sqrt(2.0 / len(records.stops)) * 0.25
    assert figures.availability == pytest.approx(8.0 / (28.0 + jogs), abs=error)


def test_a_planted_difference_in_the_trips_is_found() -> None:
    records = with_poisson_trips(8.0)
    jogs = mean_of([s.restarted_s - s.steps[0].time_s for s in records.stops]).mean
    assert abs(availability_z(records, mean_up_s=20.0, mean_down_s=20.0 + jogs)) > 4.0


# -- jams --------------------------------------------------------------------------------


def jams_of(probability: float, *, seed: int = 2) -> tuple[int, int]:
    """Return how many doubles were engaged, and how many of them jammed."""
    line = machine(feeder(inserts=Inserts(85.6, 70.0, 4.0, double=0.2)))
    supervision = Supervision(
        replace(STEEP, clearing=Clearing(0.0)), jam_probability=((Hazard.DOUBLE, probability),)
    )
    line = replace(line, supervision=supervision)
    records = simulate(line, RunDraws(line, seed), carriers=8000)
    engaged = int(np.count_nonzero(records.feeders[0].double))
    assert {stop.cause for stop in records.stops} == {"double"}
    return engaged, len(records.stops)


def test_a_jam_probability_against_the_binomial() -> None:
    engaged, jams = jams_of(0.3)
    assert engaged > 1000
    assert abs(share_of(jams, engaged).z(0.3)) < 4.0


def test_a_planted_jam_probability_is_found() -> None:
    engaged, jams = jams_of(0.36)
    assert abs(share_of(jams, engaged).z(0.3)) > 4.0


def test_the_same_hazards_jam_whatever_else_stops_the_line() -> None:
    # by insert number: at a higher probability all that jammed before jam again
    draws = RunDraws(machine(), 9)
    low = draws.jams(0, Hazard.DOUBLE, probability=0.1)
    high = draws.jams(0, Hazard.DOUBLE, probability=0.3)
    other = draws.jams(1, Hazard.DOUBLE, probability=0.1)
    jams = [i for i in range(5000) if low(i)]
    assert all(high(i) for i in jams)
    assert jams != [i for i in range(5000) if other(i)]
    assert [low(i) for i in (4999, 3, 4999)] == [low(4999), low(3), low(4999)]


# -- clearing times ----------------------------------------------------------------------


def clearings(clearing: Clearing, n: int = 4000, *, seed: int = 1) -> list[float]:
    times = clearing_times(stream(seed, "guard.clearing"), clearing)
    return [next(times) for _ in range(n)]


CHANCY = [Clearing(60.0, exponential=True), Clearing(60.0, cv=0.5), Clearing(30.0, cv=1.5)]


@pytest.mark.parametrize("clearing", CHANCY)
def test_clearing_times_have_their_mean(clearing: Clearing) -> None:
    assert abs(mean_of(clearings(clearing)).z(clearing.mean_s)) < 4.0
    assert abs(mean_of(clearings(clearing)).z(1.1 * clearing.mean_s)) > 4.0


@pytest.mark.parametrize("clearing", CHANCY)
def test_clearing_times_have_their_distribution(clearing: Clearing) -> None:
    """Kolmogorov and Smirnov's test; scipy's own distributions and their parameters."""
    from scipy import stats

    if clearing.exponential:
        law = stats.expon(scale=clearing.mean_s)
        wrong = stats.expon(scale=1.15 * clearing.mean_s)
    else:
        sigma = math.sqrt(math.log(1.0 + clearing.cv**2))
        law = stats.lognorm(s=sigma, scale=clearing.mean_s * math.exp(-(sigma**2) / 2.0))
        wrong = stats.lognorm(s=1.15 * sigma, scale=clearing.mean_s)
    assert law.mean() == pytest.approx(clearing.mean_s)
    times = clearings(clearing)
    assert stats.kstest(times, law.cdf).pvalue > 6e-5  # two-sided probability of |z| > 4
    assert stats.kstest(times, wrong.cdf).pvalue < 6e-5


def test_a_fixed_clearing_time_is_fixed() -> None:
    assert set(clearings(Clearing(45.0), 5)) == {45.0}
    assert set(clearings(Clearing(0.0, cv=0.5), 5)) == {0.0}


def test_a_run_clears_in_the_times_of_its_stream() -> None:
    line = steep_line()
    run = LineRun(line, RunDraws(line, 3), carriers=300)
    run.parts.append(PoissonTrips(run, [5.0] * 1000))
    stops = run.run().stops
    expected = clearings(STEEP.clearing, len(stops), seed=3)
    assert len(stops) > 5
    assert [s.steps[0].time_s - s.at_rest_s for s in stops] == pytest.approx(expected, rel=1e-9)
