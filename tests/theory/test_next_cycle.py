"""Inserts that land only in the next cycle: closed form, a plain recursion and the engine.

The recursion steps the command and its lag through each cycle and draws every gap and pitch; it
shares neither code nor formulas with the closed form. Both engines' records say which inserts land
behind the next closing.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest

from feedsim.arrays import Floats
from feedsim.arrivals import Arrival, Paced, RandomGaps, Recorded
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Eye, Inserts, Servo
from feedsim.probability.distribution import Distribution
from feedsim.running.run import machine_of, run_scenario
from feedsim.scenario import override
from feedsim.settings import next_cycle
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.next_cycle import lands_in_next
from feedsim.settings.one_cycle import Cycle
from tests.hunts import automatic
from tests.machines import feeder, machine, settings
from tests.random_scenarios import random_scenario, scenario_of_all_keys
from tests.theory.known_terms import landing_late_at_rest

pytestmark = pytest.mark.usefixtures("quick_engine")

V, LENGTH, GAP, GAP_SD, STAGE, WAY = 1000.0, 50.0, 50.0, 12.0, 45.0, 122.0
RAMP_IN, RAMP_OUT, SETTLE, CARRIER, ROOM = 0.04, 0.02, 0.005, 100.0, 60.0
LAGS = Servo(25.0, 0.5)  # by 20 mm
ROWS, FORGET, COUNTED, STEP = 3000, 8, 6, 4e-4
OWN = 0.03  # of the closed form: it follows 384 cycles

RNG = np.random.default_rng(1)
RECORD = tuple(float(x) for x in np.maximum(101.0, RNG.normal(150.0, 25.0, 400)))
ARRIVALS: dict[str, Arrival] = {
    "paced, with jitter": Paced(CARRIER, 150.0, 15.0),
    "fed by hand": RandomGaps(CARRIER, 170.0),
    "as recorded": Recorded(CARRIER, 150.0, 25.0, 1.0, record_mm=RECORD),
}
CASES = [(law, waits) for law in ARRIVALS for waits in (False, True)]


def line(law: str, *, waits: bool) -> FeederAtSpeed:
    one = feeder(
        insert_eye_to_placement_mm=WAY,
        nose_limit_mm=WAY,
        clutch=Clutch(False, RAMP_IN, RAMP_OUT, SETTLE),
        servo=LAGS,
        eye=Eye(),
        inserts=Inserts(length_mm=LENGTH, gap_mm=GAP, gap_sd_mm=GAP_SD, min_gap_mm=2.0),
        settings=settings(stage_position_mm=STAGE, target_offset_mm=CARRIER - ROOM),
    )
    there = machine(
        one,
        speed_m_min=0.06 * V,
        carriers=Carriers(ARRIVALS[law]),
        controller=Controller(not_ready_engages=waits),
        encoder=Encoder(),
    )
    return FeederAtSpeed(there, there.feeders[0])


class Now(NamedTuple):
    """Rows of lines as their clutches close: lag, staged nose, travel to the next point."""

    lag: Floats
    staged: Floats
    due: Floats


def gone_through(opens_s: float, way: Floats, lag: Floats) -> tuple[Floats, ...]:
    """Step through a cycle: command travel, lag and time at the end of the ramp-out."""
    gain, share = LAGS.loop_gain_per_s, 1.0 - LAGS.velocity_feedforward
    kept = math.exp(-gain * STEP)
    driven = share * (1.0 - kept) / (gain * STEP)
    r, p, e, t = np.zeros_like(lag), np.zeros_like(lag), lag.copy(), 0.0
    opens = np.full_like(lag, math.inf)
    engaged, ended = np.zeros_like(lag), np.full_like(lag, math.inf)
    while np.any(np.isinf(ended)):
        before = p - e
        after = np.where(
            t + STEP <= opens,
            min(1.0, (t + STEP) / RAMP_IN),
            np.maximum(0.0, engaged - (t + STEP - opens) / RAMP_OUT),
        )
        running = np.isinf(ended)
        moved = np.where(running, 0.5 * (r + after) * V * STEP, 0.0)
        e = np.where(running, kept * e + driven * moved, e)
        p, r = p + moved, np.where(running, after, r)
        part = np.clip((way - before) / np.maximum(p - e - before, 1e-12), 0.0, 1.0)
        seen = np.isinf(opens) & (p - e >= way)
        opens = np.where(seen, t + STEP * part + opens_s, opens)
        engaged = np.where(seen, np.minimum(1.0, opens / RAMP_IN), engaged)
        t += STEP
        ended = np.where(running & (t > opens) & (r <= 0.0), t, ended)
    return p, e, ended


def share_by_recursion(law: str, *, waits: bool) -> tuple[float, float]:
    """Return the share, and its standard error between batches of rows."""
    at, arrival = line(law, waits=waits), ARRIVALS[law]
    rng = np.random.default_rng(2)
    order = rng.integers(400, size=ROWS)

    def pitch() -> Floats:
        if law == "as recorded":  # in the order of the record
            np.add(order, 1, out=order)
            return np.array(RECORD)[order % 400]
        return arrival.sample(rng.random(ROWS))

    def gap() -> Floats:
        return np.maximum(2.0, rng.normal(GAP, GAP_SD, ROWS))

    now = Now(np.zeros(ROWS), np.full(ROWS, STAGE), pitch())
    late = []
    for _ in range(FORGET + COUNTED):
        way = LENGTH + gap() - now.staged
        while np.any(passed := way <= -now.lag):  # before the search begins: a stray
            way = np.where(passed, way + LENGTH + gap(), way)
        p, e, ended = gone_through(at.opening_travel_mm / V, way, now.lag)
        ready, due = V * (ended + SETTLE), now.due
        while np.any(lost := due < ready - (ROOM if waits else 0.0)):
            due = np.where(lost, due + pitch(), due)
        closes = np.maximum(due, ready)
        lag = e * np.exp(-LAGS.loop_gain_per_s * (closes / V - ended))
        late.append(p - lag + now.staged < WAY)
        now = Now(lag, p - way, due + pitch() - closes)
    rows = np.mean(late[FORGET:], axis=0)
    return float(rows.mean()), float(rows.std(ddof=1)) / math.sqrt(ROWS)


@pytest.mark.parametrize(("law", "waits"), CASES)
def test_the_share_is_that_of_a_plain_recursion(law: str, waits: bool) -> None:
    share, error = share_by_recursion(law, waits=waits)
    found = lands_in_next(line(law, waits=waits))
    assert found == pytest.approx(share, abs=4.0 * math.hypot(error, OWN * share))
    # the twin: ramps and lags are over
    assert landing_late_at_rest(line(law, waits=waits)) != pytest.approx(
        share, abs=4.0 * math.hypot(error, OWN * share)
    )


@pytest.mark.parametrize("seed", [6577, 5728])
def test_the_share_is_that_of_the_engine(seed: int) -> None:
    """Gaps spread by 15 mm, a loop gain of 25/s, and edges in a ramp-in of 40 ms."""
    scenario = override(automatic(scenario_of_all_keys(seed, stops=False)), ["run.carriers=10000"])
    record = run_scenario(scenario, replications=1).records.feeders[0]
    closed = record.engage_time_s[record.insert >= 0]
    landed = record.placement_time_s[record.insert >= 0]
    late = landed[:-1] > closed[1:]
    at = FeederAtSpeed(there := machine_of(scenario), there.feeders[0])
    share = lands_in_next(at)
    error = math.hypot(math.sqrt(share * (1.0 - share) / len(late)), OWN * share)
    assert abs(late.mean() - share) < 4.0 * error
    assert abs(late.mean() - landing_late_at_rest(at)) > 4.0 * error  # the twin


def test_the_short_way_out_is_taken_only_where_the_long_one_finds_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines = [automatic(random_scenario(seed, wide=seed % 2 == 0)) for seed in range(24)]
    speeds = np.geomspace(200.0, 6000.0, 12)
    there = [override(one, [f"line.speed={v} mm/s"]) for one in lines for v in speeds]
    machines = [machine_of(one) for one in there]

    def shares() -> list[float]:
        return [lands_in_next(FeederAtSpeed(each, each.feeders[0])) for each in machines]

    long, taken = next_cycle._land_by_far, []

    def counted(at: FeederAtSpeed, cycle: Cycle, law: Distribution) -> bool:
        taken.append(found := long(at, cycle, law))
        return found

    monkeypatch.setattr(next_cycle, "_land_by_far", counted)
    found = shares()
    monkeypatch.setattr(next_cycle, "_land_by_far", lambda *_: False)
    assert found == shares()
    assert 0.2 * len(taken) < sum(taken) < len(taken)
    # the twin: it is always taken
    monkeypatch.setattr(next_cycle, "_land_by_far", lambda *_: True)
    assert found != shares()
