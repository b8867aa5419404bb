"""Waits of carriers for a feeder whose late openings stage inserts further on.

An opening that comes x late makes the feeder ready x later, and stages its insert x further on: the
service of that insert is x shorter, and it lands x sooner. Walked here carrier by carrier, and
simulated.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import override, scenario_from_text, starter_text
from feedsim.settings import waiting
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_placed import late_service
from feedsim.settings.queues import Queue
from feedsim.settings.waits import waits_of
from tests.theory.test_waits import queue

SIZE, LOTS, CARRIERS = 240_000, 40, 60_000
FURTHER = tuple((mm, 0.2) for mm in (-12.0, -6.0, 0.0, 6.0, 12.0))
PACED = queue(
    100.0, 233.0, shortest=205.0, sd=4.0, gap_mm=125.0, gap_sd_mm=2.0, noise_sd_mm=1.0,
    room_mm=150.0, further=FURTHER,
)  # fmt: skip


def walked(of: Queue) -> tuple[np.ndarray, np.ndarray]:
    """Return the wait of each carrier, and how late its insert lands (mm)."""
    rng = np.random.default_rng(4)
    law = of.arrival
    pitches = np.maximum(law.shortest_mm, rng.normal(law.pitch_mm, law.pitch_sd_mm, SIZE))
    services = of.service_mm + rng.normal(of.gap_mm, of.gap_sd_mm, SIZE)
    noise = of.noise_sd_mm * rng.standard_normal(SIZE)
    places, shares = np.array(of.further).T
    later = rng.choice(places, p=shares, size=SIZE)
    ready, staged, waits, errors = -1e9, 0.0, np.zeros(SIZE), np.zeros(SIZE)
    for k in range(SIZE):
        ready -= pitches[k]
        waits[k] = wait = max(0.0, ready - noise[k])
        point = noise[k] + (of.corrected_mm + staged if of.corrected_mm else 0.0)
        errors[k] = wait - staged
        # the next opening is later[k] late
        ready = services[k] - staged + later[k] + (ready if wait else point)
        staged = later[k]
    return waits, errors


@pytest.mark.parametrize("corrected", [0.0, 9.0])
def test_waits_are_those_of_services_walked(corrected: float) -> None:
    of = replace(PACED, corrected_mm=corrected)
    (waits, errors), found = walked(of), waits_of(of)
    lots = np.array_split(np.arange(SIZE), LOTS)

    def same(seen: np.ndarray, said: float) -> bool:
        apart = np.array([float(np.mean(seen[lot])) for lot in lots])
        error = max(float(np.std(apart, ddof=1)) / math.sqrt(LOTS), 1.0 / SIZE)
        # waits cluster: the standard error is between lots; shares are good to 1 %
        return abs(float(np.mean(seen)) - said) < math.hypot(4.0 * error, 0.01 * said)

    for x in (0.0, 5.0, 15.0, 30.0):
        assert same(waits > x, float(found.beyond(x)))
    for x in (15.0, 20.0, 30.0):  # beyond what an insert is staged sooner
        assert same((waits > 0.0) & (errors > x + corrected), float(found.served_beyond(x)))
    if not corrected:
        assert same(errors, found.mean_mm)
    # twin: without, far fewer wait
    alone = waits_of(replace(of, further=((0.0, 1.0),)))
    assert not same(waits > 15.0, float(alone.beyond(15.0)))


@pytest.mark.usefixtures("quick_engine")
@pytest.mark.parametrize(
    ("m_min", "changes"),
    [
        (309.5, ("carrier.pitch_sd=1.3 mm", "feeder.0.settings.stage_position=13 mm")),
        (312.6, ("carrier.pitch_sd=1.3 mm", "controller.scan=5 ms")),
        (238.6, ("carrier.arrival=random", "carrier.pitch=400 mm")),
    ],
)
def test_as_many_are_served_late_as_simulation_has(
    m_min: float, changes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = (
        "controller.not_ready=engage", "controller.scan=8 ms",
        "acceptance.placement_tolerance=25 mm",
        "feeder.0.insert.gap_sd=2.5 mm", "feeder.0.settings.stage_position=45 mm",
        f"run.carriers={CARRIERS}", f"line.speed={m_min} m/min",
    )  # fmt: skip
    scenario = override(scenario_from_text(starter_text()), [*usual, *changes])
    line, allowed = machine_of(scenario), criteria_of(scenario)

    def said() -> float:
        return late_service(FeederAtSpeed(line, line.feeders[0]), allowed)

    error = run_scenario(scenario, replications=1).records.feeders[0].placement_error_mm
    seen, found = float(np.mean(error > 25.0)), said()
    assert found == pytest.approx(seen, rel=0.25)
    # the twin: all openings in time
    monkeypatch.setattr(waiting, "opening_acts_some_late", lambda _: None)
    assert said() < 0.7 * seen
