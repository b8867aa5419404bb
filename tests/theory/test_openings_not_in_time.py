"""Openings that wait for a scan: how they spread stage and placement, by simulation.

An opening known after its point comes at the motion tick after a scan tick, which is no longer at
any phase. The twin of each adds a lateness to a count and a tick at any phase.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, load_scenario, override, scenario_from_text, starter_text
from feedsim.settings import sources, spreads
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_placed import late_openings, placement
from feedsim.settings.sources import placement_spread
from feedsim.settings.spreads import staged_nose

pytestmark = pytest.mark.usefixtures("quick_engine")

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARRIERS = 40_000
LINES = [  # m/min, scan and motion cycle (ms), stage position (mm), tolerance (mm)
    (172.0, 8, 8, 16, 20.25),
    (187.0, 4, 4, 13, 10.75),
    (163.0, 20, 5, 29, 30.25),
    (156.0, 5, 5, 34, 11.75),
]


def scenario_of(m_min: float, scan: int, cycle: int, stage: int, tolerance: float) -> Scenario:
    changes = (
        f"line.speed={m_min} m/min", f"controller.scan={scan} ms",
        f"controller.motion_cycle={cycle} ms", f"feeder.0.settings.stage_position={stage} mm",
        f"acceptance.placement_tolerance={tolerance} mm", "feeder.0.grip_end=80 mm",
        "feeder.0.nose_limit=70 mm", "carrier.pitch_sd=3 mm", "feeder.0.insert.gap_sd=3 mm",
        f"run.carriers={CARRIERS}",
    )  # fmt: skip
    return override(scenario_from_text(starter_text()), changes)


def said(scenario: Scenario) -> tuple[float, float, float]:
    """Return the share out of tolerance, and the standard deviations of placement and stage."""
    line, allowed = machine_of(scenario), criteria_of(scenario)
    at = FeederAtSpeed(line, line.feeders[0])
    out = 1.0 - (1.0 - placement(at, allowed)) * (1.0 - late_openings(at, allowed))
    return out, placement_spread(at).sd, staged_nose(at).sd


@pytest.mark.parametrize("line", LINES)
def test_late_openings_spread_as_simulated(
    line: tuple[float, int, int, int, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = scenario_of(*line)
    rows = run_scenario(scenario, replications=1).records.feeders[0]
    errors, staged = rows.placement_error_mm, rows.stage_position_mm
    seen = float(np.mean(np.abs(errors) > line[-1]))
    out, sd, stage_sd = said(scenario)
    assert sd == pytest.approx(float(np.nanstd(errors)), rel=0.02)
    assert stage_sd == pytest.approx(float(np.nanstd(staged)), rel=0.02)
    # 16 values stand for the law; 2 % of 40,000 have a standard error of 3.5 % of themselves
    assert out == pytest.approx(seen, rel=0.2)
    monkeypatch.setattr(sources, "openings_not_in_time", lambda _: None)
    monkeypatch.setattr(spreads, "openings_not_in_time", lambda _: None)
    wrong, *_ = said(scenario)
    assert wrong > 1.5 * seen


def test_what_late_openings_add_is_theirs() -> None:
    # The card at 290 m/min: 77 % of openings late by a scan of 2 ms. With one of 0.1 ms all are in
    # time: so many are out of tolerance anyway.
    card = load_scenario(SCENARIOS / "membership_card.toml")
    card = override(card, ["line.speed=290 m/min", f"run.carriers={CARRIERS}"])
    line, allowed = machine_of(card), criteria_of(card)
    at = FeederAtSpeed(line, line.feeders[0])

    def seen(scenario: Scenario) -> float:
        rows = run_scenario(scenario, replications=1).records.feeders[0]
        errors = rows.placement_error_mm[np.isfinite(rows.placement_error_mm)]
        return float(np.mean(np.abs(errors) > allowed.placement_tolerance_mm))

    anyway, whole = seen(override(card, ["controller.scan=0.1 ms"])), seen(card)
    assert placement(at, allowed) == pytest.approx(anyway, rel=0.03)
    more = (whole - anyway) / (1.0 - anyway)
    assert late_openings(at, allowed) == pytest.approx(more, rel=0.1)
