"""What is left of a lag in unlike cycles: closed form, a plain recursion and the engine.

The recursion steps the command and its lag through each cycle, draws every gap and pitch, and takes
the error from the belt's travel between mark and landing; it shares neither code nor formulas with
the closed form.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from feedsim.answers.budget.study.budget import budget_of
from feedsim.answers.check.study.checked_feeder import checked_feeders
from feedsim.answers.check.study.target import off_target
from feedsim.answers.setup.study.sheet import good_for
from feedsim.answers.trial.study.expected import expected_at
from feedsim.arrays import Bools, Floats
from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Eye, Feeder, Inserts, Servo
from feedsim.metrics.rows import placed_rows
from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, override
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import mean_error, placement_mean
from feedsim.settings.mechanisms_placed import placement
from feedsim.settings.predict import (
    expected_offsets,
    mean_shift,
    placement_shifts,
    scale_shift,
)
from feedsim.settings.right import solve_feeder
from feedsim.settings.sources import (
    LAG,
    lag_shifts,
    placement_sd,
    placement_sources,
    placement_spread,
    sd_without_slips,
)
from tests.hunts import automatic
from tests.machines import feeder, machine, settings
from tests.random_scenarios import scenario_of_all_keys

pytestmark = pytest.mark.usefixtures("quick_engine")

V, LENGTH, GAP, STAGE, WAY, PLACE, TARGET = 1000.0, 50.0, 60.0, 45.0, 115.0, 400.0, 20.0
RAMP_IN, RAMP_OUT, SETTLE, CARRIER, EDGE_SD = 0.02, 0.02, 0.005, 100.0, 0.6
LAGS = Servo(20.0, 0.4)  # by 30 mm
ROWS, FORGET, COUNTED, STEP = 2000, 8, 6, 4e-4
OWN = 1024  # cycles that the closed form follows
TOLERANCE = 1.5
# a seed, loop gain (1/s), feedforward (%) and spread of gaps (mm); the last one corrects stages
ENGINE = [
    (54, 15, 30, 8.0),
    (34, 40, 30, 8.0),
    (49, 15, 30, 8.0),
    (25, 15, 30, 8.0),
]

# likewise; the second one corrects stages
MEANS = [(8, 15, 30, 8.0), (32, 15, 30, 8.0), (54, 15, 30, 8.0), (92, 15, 30, 8.0)]

CASES: dict[str, tuple[Arrival, float]] = {
    "gaps": (Paced(CARRIER, 190.0, 0.0), 9.0),
    "pitches": (RandomGaps(CARRIER, 240.0), 0.0),
    "both": (Paced(CARRIER, 200.0, 25.0), 6.0),
}


def line(case: str) -> FeederAtSpeed:
    arrival, gap_sd = CASES[case]

    def made(**solved: float) -> tuple[FeederAtSpeed, Feeder]:
        one = feeder(
            eye_to_placement_mm=PLACE,
            insert_eye_to_placement_mm=WAY,
            nose_limit_mm=WAY,
            clutch=Clutch(False, RAMP_IN, RAMP_OUT, SETTLE),
            servo=LAGS,
            eye=Eye(edge_sd_mm=EDGE_SD),
            inserts=Inserts(length_mm=LENGTH, gap_mm=GAP, gap_sd_mm=gap_sd, min_gap_mm=2.0),
            settings=settings(stage_position_mm=STAGE, target_offset_mm=TARGET, **solved),
        )
        there = machine(
            one,
            speed_m_min=0.06 * V,
            carriers=Carriers(arrival),
            carrier_eye=Eye(),
            controller=Controller(),
            encoder=Encoder(),
        )
        return FeederAtSpeed(there, there.feeders[0]), there.feeders[0]

    at, one = made()
    right = solve_feeder(at.machine, one)
    assert right.unsettled
    names = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")
    return made(**{name: getattr(right, name) for name in names})[0]


class Now(NamedTuple):
    """Rows of lines as their clutches close: lag, staged nose, travel to the next point."""

    lag: Floats
    staged: Floats
    due: Floats


class Gone(NamedTuple):
    """A cycle of each row: command travel, lag and time at its end, when the insert landed."""

    p: Floats
    lag: Floats
    ends_s: Floats
    lands_s: Floats


def gone_through(opens_s: float, way: Floats, seen: Floats, now: Now) -> Gone:
    """Step through cycles that open behind edges seen at feed travels, until all rest."""
    gain, share = LAGS.loop_gain_per_s, 1.0 - LAGS.velocity_feedforward
    kept = math.exp(-gain * STEP)
    driven, none = share * (1.0 - kept) / (gain * STEP), np.zeros_like(now.lag)
    r, p, e, t = none, none, now.lag.copy(), 0.0
    opens, ended, lands = (np.full_like(now.lag, math.inf) for _ in range(3))
    engaged = none
    to_land = WAY - now.staged
    for _ in range(5000):
        before = p - e
        after = np.where(
            t + STEP <= opens,
            min(1.0, (t + STEP) / RAMP_IN),
            np.maximum(0.0, engaged - (t + STEP - opens) / RAMP_OUT),
        )
        moved = 0.5 * (r + after) * V * STEP
        e, p, r = kept * e + driven * moved, p + moved, after
        ran = np.maximum(p - e - before, 1e-12)
        edge = np.isinf(opens) & (p - e >= seen)
        opens = np.where(edge, t + STEP * (seen - before) / ran + opens_s, opens)
        engaged = np.where(edge, np.minimum(1.0, opens / RAMP_IN), engaged)
        landed = np.isinf(lands) & (p - e >= to_land)
        lands = np.where(landed, t + STEP * (to_land - before) / ran, lands)
        t += STEP
        ended = np.where(np.isinf(ended) & (t > opens) & (r <= 0.0), t, ended)
        if not np.any(np.isinf(ended)) and t > 0.3:
            break
    # the lag at the end of each row's own ramp-out, back from the last step
    return Gone(p, e * np.exp(gain * (t - ended)), ended, lands)


def errors(case: str) -> Iterator[tuple[Floats, Bools]]:
    """Yield the placement errors of each cycle of all rows, and which inserts land in it."""
    at, (arrival, gap_sd) = line(case), CASES[case]
    rng = np.random.default_rng(4)

    def pitch() -> Floats:
        return arrival.sample(rng.random(ROWS))

    now = Now(np.zeros(ROWS), np.full(ROWS, STAGE), pitch())
    for number in range(FORGET + COUNTED):
        gap = np.maximum(2.0, rng.normal(GAP, gap_sd, ROWS)) if gap_sd else np.full(ROWS, GAP)
        way = LENGTH + gap - now.staged
        seen = way + rng.normal(0.0, EDGE_SD, ROWS)
        gone = gone_through(at.opening_travel_mm / V, way, seen, now)
        ready, due = V * (gone.ends_s + SETTLE), now.due
        while np.any(lost := due < ready):
            due = np.where(lost, due + pitch(), due)
        lag = gone.lag * np.exp(-LAGS.loop_gain_per_s * (due / V - gone.ends_s))
        if number >= FORGET:
            offset = at.engage_travel_mm + V * gone.lands_s - PLACE
            yield offset - TARGET, V * gone.lands_s < due
        now = Now(lag, gone.p - way, due + pitch() - due)


@pytest.mark.parametrize("case", CASES)
def test_the_law_is_that_of_a_plain_recursion(case: str) -> None:
    late, lands = (np.array(each) for each in zip(*errors(case), strict=True))
    assert lands.mean() > 0.99
    rows = np.nanmean(np.where(lands, np.abs(late) > TOLERANCE, np.nan), axis=0)
    share, error = float(rows.mean()), float(rows.std()) / math.sqrt(ROWS)
    there = late[lands]
    mean, sd = float(there.mean()), float(there.std())
    kurtosis = float(np.mean(((there - mean) / sd) ** 4))
    off = 4.0 * math.hypot(error, math.sqrt(share * (1.0 - share) / OWN))
    # the variance of a standard deviation, s²·(κ − 1)/4n (any textbook)
    sd_off = 4.0 * sd * math.sqrt((kurtosis - 1.0) / (4.0 * OWN))
    whole, without = (placement_spread(line(case), lag=lag) for lag in (True, False))
    assert whole.share_outside(-TOLERANCE, TOLERANCE) == pytest.approx(share, abs=off)
    assert whole.average == pytest.approx(mean, abs=4.0 * sd / math.sqrt(OWN))
    assert whole.sd == pytest.approx(sd, abs=sd_off)
    assert placement_mean(line(case)) == pytest.approx(mean, abs=4.0 * sd / math.sqrt(OWN))
    # the twin: cycles that are all alike
    assert without.share_outside(-TOLERANCE, TOLERANCE) != pytest.approx(share, abs=off)
    assert without.sd != pytest.approx(sd, abs=sd_off)


def lagging(seed: int, gain: int, fed: int, gap_sd: float) -> Scenario:
    keys = {
        "servo.loop_gain": f"{gain} 1/s",
        "servo.velocity_feedforward": f"{fed} %",
        "insert.gap_sd": f"{gap_sd} mm",
    }
    found = scenario_of_all_keys(seed, stops=False)
    feeders = range(len(found.feeder))
    changes = [f"feeder.{n}.{key}={value}" for n in feeders for key, value in keys.items()]
    return automatic(override(found, [*changes, "line.profile=[]", "run.carriers=5000"]))


@pytest.mark.parametrize("drawn", ENGINE)
def test_the_share_is_that_of_the_engine(drawn: tuple[int, int, int, float]) -> None:
    scenario = lagging(*drawn)
    ran = run_scenario(scenario, replications=2)
    record = ran.records.feeders[0]
    found = record.placement_error_mm[placed_rows(record, ran.records.warm_up)]
    there, allowed = machine_of(scenario), criteria_of(scenario)
    tolerance = allowed.placement_tolerance_mm
    outside = np.abs(found) > tolerance
    batches = [float(part.mean()) for part in np.array_split(outside, 40)]
    share, error = float(outside.mean()), float(np.std(batches)) / math.sqrt(40)
    off = 4.0 * math.hypot(error, math.sqrt(share * (1.0 - share) / OWN))
    at = FeederAtSpeed(there, there.feeders[0])
    assert placement(at, allowed) == pytest.approx(share, abs=off)
    without = placement_spread(at, lag=False)
    assert without.share_outside(-tolerance, tolerance) != pytest.approx(share, abs=off)  # the twin


def test_searches_that_make_the_next_go_on_do_so_in_nearly_all_cycles(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One misfeed in 300 inserts, and each insert behind it passes its eye unseen."""
    scenario = automatic(override(scenario_of_all_keys(5995, stops=False), ["run.carriers=2000"]))
    ran = run_scenario(scenario, replications=2)
    record = ran.records.feeders[1]
    found = record.placement_error_mm[placed_rows(record, ran.records.warm_up)]
    mean, off = float(found.mean()), 4.0 * float(found.std()) / math.sqrt(len(found))
    there = machine_of(scenario)
    assert placement_spread(FeederAtSpeed(there, there.feeders[1])).average == pytest.approx(
        mean, abs=off
    )
    # the twin: all begin staged as usual
    monkeypatch.setattr("feedsim.settings.lag_left.strays", lambda _: 0.0)
    assert placement_spread(FeederAtSpeed(there, there.feeders[1])).average != pytest.approx(
        mean, abs=off
    )


@pytest.mark.parametrize("drawn", MEANS)
def test_the_mean_is_that_of_the_engine(drawn: tuple[int, int, int, float]) -> None:
    scenario = lagging(*drawn)
    ran = run_scenario(scenario, replications=2)
    record = ran.records.feeders[0]
    found = record.placement_error_mm[placed_rows(record, ran.records.warm_up)]
    batches = [float(part.mean()) for part in np.array_split(found, 40)]
    mean, error = float(found.mean()), float(np.std(batches)) / math.sqrt(40)
    off = 4.0 * math.hypot(error, float(np.std(found)) / math.sqrt(OWN))
    there, allowed = machine_of(scenario), criteria_of(scenario)
    at = FeederAtSpeed(there, there.feeders[0])
    assert placement_mean(at) == pytest.approx(mean, abs=off)
    whole = mean_error(at, allowed)
    assert abs(whole.mean_mm - mean) < off + whole.most_mm
    assert whole.most_mm < abs(mean_shift(lag_shifts(at)))
    # the twin: without what the lag leaves in unlike cycles
    assert expected_offsets(at).error_mm + scale_shift(at) != pytest.approx(mean, abs=off)


def test_all_answers_have_one_mean() -> None:
    scenario = lagging(*MEANS[0])
    checked = checked_feeders(scenario, "metric")[0]
    allowed, at, speed = criteria_of(scenario), checked.here, checked.speed
    mean = placement_mean(at)
    assert budget_of(checked).mean_mm == pytest.approx(mean, abs=1e-9)
    assert good_for(at, to_run=True).placement_mean_mm == mean
    assert expected_at(at.machine, 0, speed_mm_s=speed, allowed=allowed).error.mean_mm == mean
    said = next(words for words in off_target(checked) if "place inserts" in words)
    assert f"place inserts {checked.off(mean)} on average" in said
    assert f"{checked.off(mean_shift(lag_shifts(at)))} comes from the servo's lag" in said


@pytest.mark.parametrize("case", CASES)
def test_the_parts_of_a_budget_add_up(case: str) -> None:
    at = line(case)
    assert placement_sources(at)[-1].name == LAG
    assert placement_sd(at) == pytest.approx(placement_spread(at, late=False).sd, rel=1e-9)
    mean = mean_shift([*placement_shifts(at), *lag_shifts(at)])
    assert placement_spread(at).average == pytest.approx(mean, abs=1e-9)
    # the noise of a closing is without it: the edge alone, one to one at a speed ratio of 1
    assert sd_without_slips(at) == pytest.approx(EDGE_SD)


def test_a_lag_that_is_over_leaves_nothing() -> None:
    at = line("both")
    stiff = replace(at.feeder, servo=replace(LAGS, loop_gain_per_s=300.0))
    there = FeederAtSpeed(at.machine, stiff)
    assert lag_shifts(there) == []
    assert placement_spread(there) == placement_spread(there, lag=False)
