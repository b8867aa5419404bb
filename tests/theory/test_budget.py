"""The error budget against simulation: its sum, its sensitivities, and where it says no."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from feedsim.answers.budget.study.budget import WITHIN, BudgetAgainstRun, budgets_at, compared
from feedsim.answers.budget.study.run import run_spread
from feedsim.answers.budget.view import curves_at
from feedsim.answers.limit.study.closed import limits_of
from feedsim.machine import Eye, Machine
from feedsim.metrics.spread_intervals import sd_interval
from feedsim.scenario import (
    Scenario,
    load_scenario,
    override,
    scenario_from_text,
    scenario_to_dict,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import combined_sd, placement_sources
from tests.machines import feeder, machine, run, settings, with_feeder

pytestmark = pytest.mark.usefixtures("quick_engine")

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BASE = """
title = "one budget"
seed = 5
[run]
carriers = 20000
[line]
speed = "60 m/min"
[line.encoder]
counts_per_rev = 10000
wheel_circumference = "500 mm"
[carrier]
length = "210 mm"
pitch = "300 mm"
pitch_sd = "4 mm"
slip_sd = "0.1 mm"
[carrier_eye]
response_jitter = "0.2 ms"
edge_sd = "0.1 mm"
[[feeder]]
name = "card feeder"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
gap_sd = "4 mm"
slip = "0.3 mm"
slip_sd = "0.1 mm"
[feeder.eye]
response_jitter = "0.1 ms"
edge_sd = "0.1 mm"
[feeder.settings]
target_offset = "20 mm"
stage_position = "60 mm"
"""
SCANNED = ("carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned", "run.master=virtual")
WIDE = ("carrier.pitch=600 mm", "carrier.pitch_sd=30 mm", "feeder.0.insert.gap=250 mm",
        "feeder.0.insert.gap_sd=30 mm")  # fmt: skip
CASES: dict[str, tuple[str, float, tuple[str, ...]]] = {
    # file or "", line speed (mm/s), what is changed
    "latched": ("", 1000.0, ()),
    "slow, where slips and edges lead": (
        "", 250.0, ("feeder.0.insert.slip_sd=0.5 mm", "feeder.0.eye.edge_sd=0.3 mm"),
    ),
    "fast, where the jitter leads": (
        "", 2500.0,
        ("controller.motion_cycle=0.2 ms", "controller.scan=0.2 ms", "carrier.pitch=400 mm",
         "carrier_eye.response_jitter=0.5 ms", "feeder.0.clutch.ramp_in=10 ms",
         "feeder.0.servo.loop_gain=inf 1/s"),
    ),
    "scanned, in step": ("", 700.0, SCANNED),
    "one eye scanned, ticks uneven": (
        "", 883.0,
        (*WIDE, "carrier_eye.capture=scanned", "run.master=virtual",
         "controller.motion_cycle=1.3 ms"),
    ),
    "corrected": ("", 1100.0, ("feeder.0.settings.stage_correction=true",)),
    "corrected behind a scanned eye": (
        "", 900.0,
        ("feeder.0.settings.stage_correction=true", "carrier_eye.capture=scanned",
         "run.master=virtual"),
    ),
    # a count of belt travel is 1.69 ticks; at 0.5 ms it would be 2.03, all but locked to them
    "a coarse, wrong encoder and a fast feed": (
        "", 830.0,
        ("line.encoder.counts_per_rev=600", "line.encoder.scale_error=1 %",
         "feeder.0.settings.speed_ratio=1.04", "controller.motion_cycle=0.6 ms"),
    ),
    "fed by hand, steep ramps": (
        "", 600.0,
        ("carrier.arrival=random", "carrier.pitch=500 mm", "carrier.min_gap=60 mm",
         "feeder.0.clutch.ramp_in=5 ms", "feeder.0.clutch.ramp_out=5 ms"),
    ),
    "inches and travel ramps": ("imperial.toml", 1016.0, ()),
    "the second of two feeders": ("two_feeders.toml", 800.0, ()),
}  # fmt: skip


def scenario_of(case: str) -> tuple[Scenario, float]:
    file, speed, changes = CASES[case]
    base = load_scenario(SCENARIOS / file) if file else scenario_from_text(BASE)
    return override(base, ["run.carriers=20000", *changes]), speed


def hold(scenario: Scenario, speed: float) -> BudgetAgainstRun:
    """Hold the budget of the last feeder against its run."""
    run_ = run_spread(scenario_to_dict(scenario), speed)
    return compared(budgets_at(scenario, speed)[-1], run_[-1])


@pytest.mark.parametrize("case", CASES)
def test_the_sum_is_within_three_per_cent_of_the_simulated_spread(case: str) -> None:
    scenario, speed = scenario_of(case)
    found = hold(scenario, speed)
    sd, ends = found.simulated.sd_mm, found.simulated.sd_ci95_mm
    assert sd is not None
    assert ends is not None
    # of chi-square with thousands of degrees of freedom, as good as normal
    error = (ends.high - ends.low) / 2.0 / stats.norm.ppf(0.975)
    assert error < WITHIN / 3.0 * sd  # small enough for 3 % to show
    assert found.doubts == ()
    assert found.agreement != "differs"
    assert found.budget.combined_sd_mm == pytest.approx(sd, rel=WITHIN)
    assert abs(sd - found.budget.combined_sd_mm) < 4.0 * error
    # planted fault: without its largest source the sum is found out
    largest = max(found.budget.sources, key=lambda source: source.contribution_mm)
    left = [source for source in found.budget.sources if source is not largest]
    wrong = compared(
        replace(found.budget, sources=tuple(left), combined_sd_mm=combined_sd(left)),
        found.simulated,
    )
    assert wrong.agreement == "differs"
    assert sd - wrong.budget.combined_sd_mm > 4.0 * error


@pytest.mark.parametrize("nose_mm", [66.0, 68.0])
def test_a_run_up_too_short_is_told_and_shows(nose_mm: float) -> None:
    # 6 mm of run-up at 1000 mm/s, where a ramp-in of 20 ms alone takes 10 mm
    changed = [f"feeder.0.insert_eye_to_placement={nose_mm} mm", "feeder.0.insert.slip_sd=0.3 mm"]
    found = hold(override(scenario_from_text(BASE), changed), 1000.0)
    (doubt,) = found.doubts
    assert doubt.kind == "run_up"
    assert found.ratio is not None
    if nose_mm == 66.0:
        assert found.agreement == "differs"
        assert "The run-up is too short at 60 m/min" in doubt.words
        # what the doubt says the spread would be is what the run has, to 2 %
        said = float(doubt.words.rpartition("of ")[2].partition(" mm")[0])
        assert said == pytest.approx(found.simulated.sd_mm, rel=0.02)
    assert found.ratio < 0.97


def test_waiting_for_the_feeder_is_told_and_shows() -> None:
    changed = ["controller.not_ready=engage", "carrier.arrival=random", "carrier.min_gap=60 mm",
               "feeder.0.clutch.settle=110 ms", "run.carriers=3000"]  # fmt: skip
    found = hold(override(scenario_from_text(BASE), changed), 1000.0)
    assert [doubt.kind for doubt in found.doubts] == ["late_engages"]
    assert f"{found.simulated.late_engages} of the {found.simulated.placed}" in (
        found.doubts[0].words
    )
    assert found.agreement == "differs"


def test_late_openings_are_told_and_show() -> None:
    changed = ["feeder.0.settings.stage_position=25 mm", "controller.scan=15 ms",
               "feeder.0.eye.response=5 ms", "run.carriers=3000"]  # fmt: skip
    found = hold(override(scenario_from_text(BASE), changed), 1000.0)
    assert "late_openings" in [doubt.kind for doubt in found.doubts]
    assert found.agreement == "differs"
    # their mean is among the shifts, and is what the run has
    assert "late openings" in [shift.name for shift in found.budget.shifts]
    low, high = found.simulated.mean_ci95_mm or (0.0, 0.0)
    assert low - 0.05 < found.budget.mean_mm < high + 0.05


def test_a_point_between_two_locked_steps_is_a_source_and_shows() -> None:
    # a step of 5 ms at 460 mm/s is 4.6 counts of 0.5 mm: after 114 steps, 524.4 counts, a point
    # 525 counts on is not reached by marks that began with a fraction of a count below 0.6; those
    # act a step of 2.3 mm later: √(0.6·0.4)·2.3 = 1.127 mm
    changed = ["carrier_eye.capture=scanned", "controller.scan=5 ms", "run.carriers=3000",
               "controller.motion_cycle=5 ms", "line.encoder.counts_per_rev=1000",
               "feeder.0.settings.engage_lead=0 ms",
               "feeder.0.settings.engage_distance=262.5 mm"]  # fmt: skip
    found = hold(override(scenario_from_text(BASE), changed), 460.0)
    (count,) = (s for s in found.budget.sources if s.name == "carrier eye count")
    assert count.contribution_mm == pytest.approx(1.127, abs=1e-3)
    assert found.simulated.sd_mm is not None
    assert found.simulated.sd_mm == pytest.approx(found.budget.combined_sd_mm, rel=WITHIN)
    # without it the sum is found out
    left = math.sqrt(found.budget.combined_sd_mm**2 - 1.127**2)
    assert found.simulated.sd_mm != pytest.approx(left, rel=WITHIN)


def error_of(line: Machine) -> float:
    """Return the one placement error of a line without spread (mm)."""
    errors = run(line, carriers=8).feeders[0].placement_error_mm[2:]
    assert errors.max() - errors.min() < 1e-6
    return float(errors[0])


SLOPES = {
    # a source, and how the machine looks if all its draws are by a thousandth (mm or s) larger
    "carrier eye jitter": lambda m: replace(m, carrier_eye=Eye(response_s=0.0015)),
    "insert eye jitter": lambda m: with_feeder(m, eye=Eye(response_s=0.0015)),
    "carrier slip": lambda m: replace(m, carriers=replace(m.carriers, slip_mm=0.001)),
    "insert slip": lambda m: with_feeder(m, inserts=replace(m.feeders[0].inserts, slip_mm=0.001)),
}


@pytest.mark.parametrize("name", SLOPES)
@pytest.mark.parametrize("ratio", [1.0, 1.25])
def test_a_sensitivity_is_what_the_simulation_moves_by(name: str, ratio: float) -> None:
    # settings solved once: what then comes late, or falls back, is not made up for
    eye = Eye(response_s=0.0005)
    line = machine(feeder(eye=eye, settings=settings(speed_ratio=ratio)), carrier_eye=eye)
    noisy = with_feeder(
        replace(
            line,
            carrier_eye=replace(eye, response_jitter_s=1e-4),
            carriers=replace(line.carriers, slip_sd_mm=0.1),
        ),
        eye=replace(eye, response_jitter_s=1e-4),
        inserts=replace(line.feeders[0].inserts, slip_sd_mm=0.1),
    )
    sources = {s.name: s for s in placement_sources(FeederAtSpeed(noisy, noisy.feeders[0], 1000.0))}
    moved = error_of(SLOPES[name](line)) - error_of(line)
    assert moved / 0.001 == pytest.approx(sources[name].sensitivity_mm_per_unit, rel=1e-6)


def test_what_the_tolerance_allows_meets_the_spread_at_the_limit_speed() -> None:
    # on target (virtual master, latched) the closed-form limit of the placement error is where
    # the share out of tolerance is what is allowed, and so the spread as large as may be
    scenario = override(scenario_from_text(BASE), ["run.master=virtual"])
    limits = limits_of(scenario, 0)
    (at,) = (x.speed_mm_s for x in limits if x.mechanism == "placement error")
    assert at is not None
    (there,) = curves_at(scenario, at)
    assert there.allowed_sd_mm == pytest.approx(there.combined_sd_mm, rel=1e-4)
    (slower,) = curves_at(scenario, 0.9 * at)
    assert slower.allowed_sd_mm is not None
    assert slower.allowed_sd_mm > 1.02 * slower.combined_sd_mm


def test_the_interval_of_a_spread_covers_where_neighbours_are_alike() -> None:
    # AR(1) with φ = 0.8 has the standard deviation 1/√(1 − φ²) (any text on time series). The
    # interval by batches, each of 100 values that are alike over about ten, covers it nearly as
    # stated; the chi-squared interval, which takes the values for independent, far too seldom.
    rng = np.random.default_rng(3)
    runs, n, phi = 300, 2000, 0.8
    noise = rng.standard_normal((runs, n + 200))
    values = np.zeros_like(noise)
    for k in range(1, n + 200):
        values[:, k] = phi * values[:, k - 1] + noise[:, k]
    values = values[:, 200:]
    sd = 1.0 / math.sqrt(1.0 - phi * phi)
    covered = naive = 0
    for x in values:
        ends = sd_interval(x)
        assert ends is not None
        covered += ends.low <= sd <= ends.high
        s2 = x.var(ddof=1) * (n - 1)
        low, high = (math.sqrt(s2 / stats.chi2.ppf(p, n - 1)) for p in (0.975, 0.025))
        naive += low <= sd <= high
    error = math.sqrt(0.95 * 0.05 / runs)
    assert abs(covered / runs - 0.95) < 4.0 * error
    assert naive / runs < 0.95 - 8.0 * error
