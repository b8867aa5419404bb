"""What is planned, and the band in which it has to come out."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import pytest

from feedsim.answers.trial.plan_text import blank_csv, plan_text
from feedsim.answers.trial.study.expected import Position, allowance_of
from feedsim.answers.trial.study.plan import TrialPlan, plan_trial, speeds_for
from feedsim.scenario import Scenario, load_scenario, override

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def scenario(name: str = "trial_reply_card", *changes: str) -> Scenario:
    return override(load_scenario(SCENARIOS / f"{name}.toml"), changes)


def plan(*changes: str, confidence: float = 0.95) -> TrialPlan:
    what = scenario("trial_reply_card", *changes)
    return plan_trial(what, speeds_for(what, units="metric"), confidence=confidence)


def test_four_round_speeds_up_to_line_speed() -> None:
    assert speeds_for(scenario(), units="metric") == pytest.approx((400.0, 600.0, 800.0, 1000.0))
    inch = speeds_for(scenario("imperial"), units="inch")
    assert [v * 60.0 / 304.8 for v in inch] == pytest.approx([60.0, 90.0, 120.0, 150.0])
    odd = scenario("trial_reply_card", "line.speed=47.3 m/min")
    assert [v * 0.06 for v in speeds_for(odd, units="metric")] == pytest.approx([19, 28, 38, 47.3])


def test_the_band_of_a_mean_by_hand() -> None:
    # 8 bands at 95 % together are each at 99.375 %; 100 values of sd 0.5: 0.05·z
    band = allowance_of(100, Position(0.2, 0.5, 0.0), confidence=0.95, bands=8)
    z = NormalDist().inv_cdf(1.0 - 0.05 / 16.0)
    assert band.mean_band_mm == pytest.approx((0.2 - 0.05 * z, 0.2 + 0.05 * z))
    # one band at 95 % and 51 values: σ·√(χ²/50), 32.357 and 71.420 (any table)
    alone = allowance_of(51, Position(0.0, 2.0, 0.0), confidence=0.95, bands=1)
    ends = (2.0 * math.sqrt(32.357 / 50.0), 2.0 * math.sqrt(71.420 / 50.0))
    assert alone.sd_band_mm == pytest.approx(ends, rel=1e-4)
    wider = allowance_of(100, Position(0.2, 0.5, 0.3), confidence=0.95, bands=8)
    assert wider.mean_band_mm is not None
    assert wider.mean_band_mm.high == pytest.approx(0.5 + 0.05 * z)
    assert allowance_of(0, Position(0.0, 1.0, 0.0), confidence=0.95, bands=1).mean_band_mm is None
    assert allowance_of(1, Position(0.0, 1.0, 0.0), confidence=0.95, bands=1).sd_band_mm is None


def test_what_it_takes_to_show_that_it_is_accepted() -> None:
    found = plan("acceptance.missed=1 %", "acceptance.within_tolerance=95 %")
    missed, _, outside = found.showing
    # 299 and 59: tests/published/test_sample_sizes.py
    assert missed.without_any == 299
    assert outside.without_any == 59
    assert missed.chance_without_any == pytest.approx((1.0 - missed.expected) ** 299)
    assert missed.plan is not None
    assert found.speeds[-1].counted == max(missed.plan.n, found.speeds[0].measured)
    assert {speed.counted for speed in found.speeds[:-1]} == {found.speeds[0].measured}


def test_more_confidence_asks_for_more() -> None:
    low, high = plan(confidence=0.8), plan(confidence=0.99)
    assert low.speeds[-1].measured < high.speeds[-1].measured
    assert low.speeds[-1].counted < high.speeds[-1].counted


def test_a_limit_of_nothing_cannot_be_shown() -> None:
    found = plan("acceptance.missed=0 %")
    assert found.showing[0].without_any is None
    assert "no number of carriers shows that" in plan_text(found)


def test_what_is_expected_to_fail_has_no_plan() -> None:
    found = plan("feeder.0.insert.misfeed=3 %", "carrier.pitch=230 mm")
    assert found.showing[0].plan is None
    assert "is expected is above the limit" in " ".join(plan_text(found).split())
    near = replace(found.showing[0], limit=1.01 * found.showing[0].expected)
    text = plan_text(replace(found, showing=[near]))
    assert "is expected is too near to the limit" in " ".join(text.split())
    assert found.speeds[-1].counted == 598  # ln 0.05/ln 0.995


def test_how_well_settings_will_be_known_by_hand() -> None:
    # two speeds v and 2v, n each, of equal spread s: the slope has the variance 2·s²/(n·v²) and
    # the value at standstill 5·s²/n (2·m₁ − m₂); t of 2n − 2 degrees of freedom
    still = (
        "carrier_eye.response_jitter=0 ms", "feeder.0.eye.response_jitter=0 ms",
        "controller.motion_cycle=0 ms",
    )  # fmt: skip
    what = scenario("trial_reply_card", *still)
    found = plan_trial(what, (500.0, 1000.0)).feeders[0]
    n = plan_trial(what, (500.0, 1000.0)).speeds[0].measured
    sd = found.placement[0].sd_mm
    assert found.placement[1].sd_mm == pytest.approx(sd)
    t = 1.9850  # Student's, 96 degrees of freedom (any table)
    assert n == 49
    assert found.distance_mm == pytest.approx(t * sd * math.sqrt(5.0 / n), rel=1e-4)
    assert found.lead_s == pytest.approx(t * sd * math.sqrt(2.0 / n) / 500.0, rel=1e-4)
    assert plan_trial(what, (500.0,)).feeders[0].lead_s is None


def test_the_blank_file_has_a_row_for_all_that_is_to_be_done() -> None:
    found = plan()
    lines = blank_csv(found).decode().splitlines()
    assert lines[0] == "line_speed_m_per_min,carriers,missed,placement_error_mm,stage_position_mm"
    assert len(lines) == 1 + sum(1 + speed.measured for speed in found.speeds)
    assert lines[1] == f"24,{found.speeds[0].counted},,,"
    assert lines[-1] == "60,,,,"


def test_two_feeders_in_inches() -> None:
    what = scenario("two_feeders")
    found = plan_trial(what, speeds_for(what, units="inch"))
    lines = blank_csv(found, units="inch").decode().splitlines()
    assert lines[0].startswith("line_speed_ft_per_min,feeder,carriers,missed,placement_error_in,")
    assert sum("leaflet feeder" in line for line in lines) == sum(
        1 + speed.measured for speed in found.speeds
    )
    text = plan_text(found, units="inch")
    assert "ft/min" in text
    assert "m/min" not in text
    assert " mm" not in text
