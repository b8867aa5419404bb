"""Closings and openings in step with one another, against the line itself and by definition."""

from __future__ import annotations

import math

import numpy as np
import pytest

from feedsim.answers.limit.study.closed import at_speeds
from feedsim.arrivals import Paced, RandomGaps, Recorded
from feedsim.arrivals.law import Arrival
from feedsim.metrics.rows import placed_rows
from feedsim.running.run import criteria_of, run_scenario
from feedsim.scenario import Scenario, at_line_speed, override
from feedsim.settings import sources
from feedsim.settings.acts import first_shifts
from feedsim.settings.acts_together import acts_together
from feedsim.settings.sources import placement_spread
from tests.workable_scenarios import workable_scenario

RUNS = 8


def polled() -> Scenario:
    """A line both of whose eyes are polled, its scan of 2 ms 2.975 counts at 712.5 mm/s."""
    return override(workable_scenario(1398, stops=True), ["run.carriers=4000"])


SPEEDS = {"0.025 counts off three a scan": 712.5333, "hardly": 728.0}


def outside(line: Scenario, speed: float) -> tuple[float, float, float]:
    """Return the share out of tolerance as said and as run, and the standard error of that."""
    allowed = criteria_of(line).placement_tolerance_mm
    said = placement_spread(at_speeds(line)[0](speed)).share_outside(-allowed, allowed)
    ran = run_scenario(at_line_speed(line, speed), replications=RUNS).records
    errors = ran.feeders[0].placement_error_mm[placed_rows(ran.feeders[0], ran.warm_up)]
    parts = [float(np.mean(np.abs(part) > allowed)) for part in np.array_split(errors, 5 * RUNS)]
    return said, float(np.mean(parts)), float(np.std(parts, ddof=1)) / math.sqrt(len(parts))


@pytest.mark.usefixtures("quick_engine")
def test_acts_together_put_more_out_of_tolerance(monkeypatch: pytest.MonkeyPatch) -> None:
    line = polled()
    for speed in SPEEDS.values():
        said, ran, error = outside(line, speed)
        assert abs(said - ran) < 4.0 * error
    # the twin: each act spreads as it does, whatever the other does; 5.0 % of 7.3 are said
    monkeypatch.setattr(sources, "acts_together", lambda _: None)
    said, ran, error = outside(line, SPEEDS["0.025 counts off three a scan"])
    assert said < ran - 8.0 * error


def test_each_act_alone_spreads_as_it_does_anyway() -> None:
    at = at_speeds(polled())[0](712.5333)
    both = acts_together(at)
    assert both is not None
    engaged, opened = (
        first_shifts(at, travel, scanned=True)
        for travel in (at.engage_travel_mm, at.opening_travel_mm)
    )
    assert both.average == pytest.approx(at.scale * (engaged.average - opened.average), abs=1e-9)
    # |correlation| is at most 1, by the shares of two steps each
    assert abs(both.sd**2 - engaged.sd**2 - opened.sd**2) < 2.0 * engaged.sd * opened.sd
    assert both.sd**2 - engaged.sd**2 - opened.sd**2 > 0.05


@pytest.mark.parametrize(
    "law",
    [
        Paced(200.0, 260.0, 1.5),
        RandomGaps(200.0, 260.0, 0.0, 5.0),
        Recorded(200.0, 260.0, 1.0, 50.0, tuple(260.0 + 1.5 * math.sin(k) for k in range(600))),
    ],
)
def test_the_wave_of_a_pitch_is_the_mean_over_its_law(law: Arrival) -> None:
    pitches = law.sample((np.arange(20_000) + 0.5) / 20_000, again=True)
    for w in (0.01, -0.1, 0.6):
        # what the ends of the exponential law are cut short by, and 64 bunches of the record's 3 mm
        assert law.wave(np.array([w]))[0] == pytest.approx(
            np.exp(1j * w * pitches).mean(), abs=2e-3
        )
