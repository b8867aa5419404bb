"""Late openings make feed cycles unlike, so that carriers find the feeder busy.

When an opening acts is drawn here from sections 4, 5 and 8 of feedsim/MODEL.md, with ticks counted
one by one. The twin of each takes all openings to be in time.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from feedsim.arrays import Floats
from feedsim.machine import Controller, Encoder
from feedsim.records.outcome import Outcome
from feedsim.running.run import criteria_of, run_scenario
from feedsim.scenario import Scenario, override, scenario_from_text
from feedsim.settings import spreads
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.late_acts import late_opening, opening_acts_some_late
from feedsim.settings.mechanisms_missed import feed_cycle
from tests.machines import feeder, machine, settings
from tests.random_scenarios import BASE

pytestmark = pytest.mark.usefixtures("quick_engine")

DRAWN, CARRIERS, BATCHES = 400_000, 200_000, 40
OWN = 0.02  # of the closed form: 16 values
LINES = [
    (286.0, ()),
    (290.0, ()),
    (300.0, ()),
    (290.0, ("feeder.0.settings.speed_ratio=1.02", "line.encoder.scale_error=0.1 %")),
]


def acts(scan: float, cycle: float, unload: float, count: float) -> Floats:
    """Draw when openings act (mm behind their edges' captures, at 1000 mm/s), in whole us."""
    rng = np.random.default_rng(7)
    passed = np.full(DRAWN, unload)
    if count:
        passed = (round(unload / count) - rng.random(DRAWN)) * count
    if not cycle:
        return np.maximum(passed, scan * rng.random(DRAWN))
    a_scan, a_cycle = round(1000 * scan), round(1000 * cycle)
    number = rng.integers(1, 1 + math.lcm(a_scan, a_cycle) // a_scan, DRAWN)
    scanned = 0.001 * a_scan * number
    captured = scanned - scan * rng.random(DRAWN)
    due = np.maximum(captured + passed, scanned)
    found: Floats = 0.001 * a_cycle * np.ceil(due / cycle - 1e-9) - captured
    return found


@pytest.mark.parametrize(
    ("scan", "cycle", "unload", "count"),
    [
        (2.0, 1.0, 0.45, 0.01),
        (20.0, 5.0, 6.0, 0.0),
        (20.0, 0.0, 6.0, 1.5),
        (10.0, 4.0, -7.0, 0.5),
        (2.0, 0.888, 0.6, 0.0),
    ],
)
def test_openings_act_when_ticks_let_them(
    scan: float, cycle: float, unload: float, count: float
) -> None:
    by_hand = settings(disengage_distance_mm=unload, disengage_lead_s=0.0)
    line = machine(
        feeder(settings=by_hand),
        encoder=Encoder(count),
        controller=Controller(scan_s=1e-3 * scan, motion_cycle_s=1e-3 * cycle),
    )
    at = FeederAtSpeed(line, line.feeders[0], 1000.0)
    drawn = acts(scan, cycle, unload, count)
    drawn -= drawn.mean()
    law = opening_acts_some_late(at)
    assert law is not None
    assert law.average == pytest.approx(0.0, abs=1e-9)
    sd = float(drawn.std())
    assert law.sd == pytest.approx(sd, rel=OWN)
    for limit in (-1.2 * sd, -0.4 * sd, 0.5 * sd, 1.1 * sd):
        assert law.share_below(limit) == pytest.approx((drawn < limit).mean(), abs=1.0 / 32.0)
    # the twin: openings in time wait for a tick and a count
    assert math.hypot(cycle, count) / math.sqrt(12.0) != pytest.approx(sd, rel=OWN)


def test_openings_in_time_have_no_such_law() -> None:
    line = machine(feeder(), controller=Controller(scan_s=0.002, motion_cycle_s=0.001))
    assert opening_acts_some_late(FeederAtSpeed(line, line.feeders[0])) is None


def fast(speed_m_min: float, changes: tuple[str, ...]) -> Scenario:
    keys = ("carrier.missing=0 %", "feeder.0.insert.misfeed=0 %", "feeder.0.insert.double=0 %")
    run = (f"line.speed={speed_m_min} m/min", f"run.carriers={CARRIERS}")
    return override(scenario_from_text(BASE), [*run, *keys, *changes])


@pytest.mark.parametrize(("speed_m_min", "changes"), LINES)
def test_as_many_find_the_feeder_busy_as_in_the_engine(
    speed_m_min: float, changes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = fast(speed_m_min, changes)
    ran = run_scenario(scenario)
    outcome = ran.records.feeders[0].outcome[-CARRIERS:]
    lost = np.isin(outcome, int(Outcome.NOT_STAGED))
    share = float(lost.mean())
    batches = [float(part.mean()) for part in np.array_split(lost, BATCHES)]
    off = math.hypot(4.0 * float(np.std(batches)) / math.sqrt(BATCHES), OWN * share)

    def closed() -> float:
        there = FeederAtSpeed(ran.machine, ran.machine.feeders[0])
        return feed_cycle(there, criteria_of(scenario))

    assert late_opening(FeederAtSpeed(ran.machine, ran.machine.feeders[0])).average > 0.0
    assert closed() == pytest.approx(share, abs=off)
    monkeypatch.setattr(spreads, "opening_acts_some_late", lambda _: None)  # the twin
    assert closed() != pytest.approx(share, abs=off)
