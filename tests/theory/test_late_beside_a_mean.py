"""Who is served or known late, and lies off its target anyway: both errors add up, by simulation.

A line whose settings leave a mean error, or whose servo lags, and in which carriers wait for the
feeder or marks come too late for their point. Each twin counts the lateness alone.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from feedsim.machine import Machine
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario, override, scenario_from_text, starter_text
from feedsim.settings import mechanisms_jams, mechanisms_placed
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_jams import off_carrier
from feedsim.settings.mechanisms_placed import late_engages, late_service
from tests.machines import run

pytestmark = pytest.mark.usefixtures("quick_engine")

CARRIERS = 40_000
ALL_SEEN = (
    "feeder.0.insert.double=0 %", "feeder.0.insert.misfeed=0 %", "feeder.0.eye.missed=0 %",
    "carrier_eye.missed=0 %", "controller.motion_cycle=1 ms",
)  # fmt: skip
NEAR_EYE = ("controller.late_mark=engage", "feeder.0.eye_to_placement=60 mm")
WAITING = ("controller.not_ready=engage", "controller.scan=1 ms")


def scenario_of(m_min: float, *changes: str) -> Scenario:
    return override(
        scenario_from_text(starter_text()), [*ALL_SEEN, *changes, f"line.speed={m_min} m/min"]
    )


def later(line: Machine, by_mm: float) -> Machine:
    """Return the line with closings so much later than is right."""
    (feeder,) = line.feeders
    distance = feeder.settings.engage_distance_mm + by_mm
    settings = replace(feeder.settings, engage_distance_mm=distance)
    return replace(line, feeders=(replace(feeder, settings=settings),))


def errors(line: Machine) -> Any:
    return run(line, carriers=CARRIERS).feeders[0].placement_error_mm


def close(found: float, seen: float, *, own: float) -> bool:
    """Tell whether shares agree within four standard errors and a share of the form itself."""
    return abs(found - seen) < math.hypot(4.0 * math.sqrt(seen / CARRIERS), own * seen)


def without_mean(monkeypatch: pytest.MonkeyPatch, module: Any) -> None:
    usual = module.placement_spread
    monkeypatch.setattr(
        module,
        "placement_spread",
        lambda *args, **more: (law := usual(*args, **more)).shifted(-law.average),
    )


@pytest.mark.parametrize("off_mm", [4.0, -4.0])
@pytest.mark.parametrize(("m_min", "scan"), [(100.0, 10), (60.0, 20), (100.0, 20)])
def test_late_marks_of_settings_that_are_off(
    m_min: float, scan: int, off_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    changes = (*NEAR_EYE, f"controller.scan={scan} ms", "acceptance.placement_tolerance=8 mm")
    scenario = scenario_of(m_min, *changes)
    line, allowed = later(machine_of(scenario), off_mm), criteria_of(scenario)
    seen = float(np.mean(errors(line) > 8.0))
    assert close(late_engages(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.01)
    without_mean(monkeypatch, mechanisms_placed)
    assert not close(late_engages(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.1)


@pytest.mark.parametrize(
    ("m_min", "gain", "pitch_sd"), [(306.0, 15, 4.5), (302.0, 27, 3.2), (306.0, 53, 2.7)]
)
def test_who_waits_behind_a_servo_that_lags(
    m_min: float, gain: int, pitch_sd: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    changes = (
        f"feeder.0.servo.loop_gain={gain} 1/s", f"carrier.pitch_sd={pitch_sd} mm",
        "feeder.0.settings.stage_position=24 mm", "feeder.0.insert.gap_sd=3.2 mm",
    )  # fmt: skip
    scenario = scenario_of(m_min, *WAITING, *changes, "acceptance.placement_tolerance=15 mm")
    line, allowed = machine_of(scenario), criteria_of(scenario)
    seen = float(np.mean(errors(line) > 15.0))
    assert close(late_service(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.1)
    without_mean(monkeypatch, mechanisms_placed)
    assert not close(late_service(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.1)


@pytest.mark.parametrize("off_mm", [15.0, -15.0])
def test_who_waits_overhangs_its_carrier_by_both(
    off_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    changes = ("feeder.0.settings.target_offset=90 mm", "carrier.pitch_sd=5 mm")
    scenario = scenario_of(311.0, *WAITING, *changes)
    line, allowed = later(machine_of(scenario), off_mm), criteria_of(scenario)
    room = line.carriers.room_mm(line.feeders[0].inserts) - 90.0
    seen = float(np.mean(errors(line) > room))
    assert close(off_carrier(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.1)
    without_mean(monkeypatch, mechanisms_jams)
    assert not close(off_carrier(FeederAtSpeed(line, line.feeders[0]), allowed), seen, own=0.1)
