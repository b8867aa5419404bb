"""A search that goes on passes gaps of their own, which spread how long the feeder is busy.

A misfeed leaves just enough time for a second insert, on average. Against the compiled engine's
records; the twin takes each further insert as one of mean pitch.
"""

from __future__ import annotations

import math

import pytest

from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, load_scenario, override
from feedsim.settings import mechanisms_unseen
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_missed import unstaged
from feedsim.settings.mechanisms_placed import late_service

pytestmark = pytest.mark.usefixtures("quick_engine")

CARRIERS = 100_000
LINES = {
    "skip": (),
    "skip, whole scans": ("carrier_eye.capture=scanned", "controller.scan=10 ms"),
    "engage": ("controller.not_ready=engage",),
}


def line_of(kind: str) -> Scenario:
    keys = (
        "feeder.0.insert.misfeed=4 %", "feeder.0.insert.gap_sd=8 mm", "feeder.0.eye.missed=0 %",
        "carrier.pitch=340 mm", f"run.carriers={CARRIERS}", *LINES[kind],
    )  # fmt: skip
    return override(load_scenario("scenarios/membership_card.toml"), keys)


def said(scenario: Scenario) -> float:
    """Return the share lost, or late where carriers wait."""
    machine, allowed = machine_of(scenario), criteria_of(scenario)
    at = FeederAtSpeed(machine, machine.feeders[0], scenario.line.speed)
    share = late_service if at.controller.not_ready_engages else unstaged
    return share(at, allowed)


@pytest.mark.parametrize("kind", LINES)
def test_misfeeds_cost_what_they_do_in_the_engine(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = line_of(kind)
    figures = run_scenario(scenario).results.feeders[0]
    share, within = figures.missed.share, figures.placement_error.within_tolerance
    assert share is not None
    assert within is not None
    so = 1.0 - within if scenario.controller.not_ready == "engage" else share
    error = 4.0 * math.sqrt(so * (1.0 - so) / CARRIERS)
    assert abs(said(scenario) - so) < error
    monkeypatch.setattr(mechanisms_unseen, "_GAP_NODES", 1)
    assert abs(said(scenario) - so) > error
