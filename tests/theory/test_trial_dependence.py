"""Intervals of a trial hold as often as they say where cards are not independent, too.

The truth is made here: x_i = φ·x_(i−1) + √(1 − φ²)·e_i, e normal, has the variance 1 at each i and
is independent from speed to speed. Placement errors are a + b·v + σ(v)·x, stage positions
target + c + d·v + σ'(v)·y, y another such process.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.trial.study.correction import Corrections, corrections
from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.answers.trial.study.fit import FeederFit, fit_trial
from feedsim.metrics.serial import lag_one, mean_inflation, runs_test, tapered
from feedsim.running.run import machine_of
from feedsim.scenario import load_scenario, override

SCENARIO = override(
    load_scenario(Path(__file__).parents[2] / "scenarios" / "trial_reply_card.toml"),
    ["carrier.pitch_sd=3 mm"],
)
SPEEDS = np.array([400.0, 600.0, 800.0, 1000.0])
SEEDS = 200
A, B, FIXED, TIME = 0.8, 0.5e-3, 0.5, 0.6e-3
C, D, STAGE_FIXED, STAGE_TIME = 0.3, 0.4e-3, 0.3, 0.2e-3
TARGET = 70.0


def process(phi: float, each: int, rng: np.random.Generator) -> np.ndarray:
    """Return a process of its own for each speed, one after the other."""
    x = rng.normal(size=(len(SPEEDS), each))
    for k in range(1, each):
        x[:, k] = phi * x[:, k - 1] + math.sqrt(1.0 - phi * phi) * x[:, k]
    return x.ravel()


def measured(phi: float, each: int, seed: int) -> TrialData:
    rng = np.random.Generator(np.random.PCG64(seed))
    v = np.repeat(SPEEDS, each)
    n = len(v)
    return TrialData(
        row=np.arange(2, n + 2), feeder=np.zeros(n, dtype=np.int64), speed_mm_s=v,
        error_mm=A + B * v + np.hypot(FIXED, TIME * v) * process(phi, each, rng),
        stage_mm=TARGET + C + D * v + np.hypot(STAGE_FIXED, STAGE_TIME * v)
        * process(phi, each, rng),
        carriers=np.ones(n, dtype=np.int64), missed=np.full(n, UNKNOWN), blank=0, others=(),
        error_step_mm=0.0, stage_step_mm=0.0,
    )  # fmt: skip


@cache
def fits(phi: float, each: int, seeds: int = SEEDS) -> list[Corrections]:
    machine = machine_of(SCENARIO)
    found = []
    for seed in range(seeds):
        data = measured(phi, each, seed)
        rows = np.ones(len(data.row), dtype=bool)
        found.append(corrections(data, rows, machine, 0, confidence=0.95))
    return found


# by hand (studies/trial/correction.py derives it), g = 1 and no scale error: the stage is put
# right by −c and d, which has every insert come later by c + d·v; that and a + b·v is taken out
TRUTH = {
    "placement at standstill": A,
    "placement per speed": B,
    "engage distance": -(A + C),
    "engage lead": B + D,
    "disengage distance": -C,
    "disengage lead": D,
    "placement fixed": FIXED,
    "placement time": TIME,
    "stage fixed": STAGE_FIXED,
}


def interval(found: Corrections, name: str) -> tuple[float, float]:
    placement, engage, disengage = found.placement, found.engage, found.disengage
    assert placement is not None
    assert engage is not None
    assert disengage is not None
    if name.endswith(("fixed", "time")):
        fitted = found.placement_fit if name.startswith("placement") else found.stage_fit
        assert fitted is not None
        assert fitted.spread is not None
        ends = fitted.spread.fixed_ci_mm if name.endswith("fixed") else fitted.spread.time_ci_s
        assert ends is not None
        return ends.low, ends.high
    estimate = {
        "placement at standstill": placement.at_standstill_mm,
        "placement per speed": placement.per_speed_s,
        "engage distance": engage.distance_mm,
        "engage lead": engage.lead_s,
        "disengage distance": disengage.distance_mm,
        "disengage lead": disengage.lead_s,
    }[name]
    assert estimate is not None
    return estimate.low, estimate.high


def coverage(phi: float, each: int, name: str, *, seeds: int = SEEDS) -> float:
    hits = [low <= TRUTH[name] <= high for low, high in
            (interval(found, name) for found in fits(phi, each, seeds))]  # fmt: skip
    return sum(hits) / seeds


@pytest.mark.parametrize(("phi", "each"), [(0.0, 40), (0.6, 40), (0.9, 100)])
@pytest.mark.parametrize("name", TRUTH)
def test_intervals_hold_the_truth_with_and_without_dependence(
    phi: float, each: int, name: str
) -> None:
    assert 0.91 <= coverage(phi, each, name) <= 0.99


def test_the_same_check_fails_where_cards_are_taken_as_independent(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # σ of a mean of 40 is √3.81 times as large at φ = 0.6: P(|z| < 1.96/1.95) = 0.69, and more
    # where the means of the speeds lie off a straight line by so much that it is noticed
    monkeypatch.setattr("feedsim.answers.trial.study.line.dependence_of", lambda *_: None)
    try:
        for name in ("placement per speed", "disengage lead", "placement fixed"):
            assert coverage(0.6, 40, name, seeds=60) < 0.88
    finally:
        fits.cache_clear()


def test_figures_of_a_process_are_those_of_its_whole_covariance() -> None:
    rng = np.random.Generator(np.random.PCG64(7))
    n, phi = 14, 0.6
    groups = np.arange(n, dtype=np.intp) % 2  # neighbours of a group are two places apart
    rows, sd = rng.normal(size=(2, n)), rng.uniform(1.0, 2.0, n)
    apart = np.abs(np.subtract.outer(np.arange(n) // 2, np.arange(n) // 2))
    whole = np.where(groups[:, None] == groups, phi**apart, 0.0) * np.outer(sd, sd)
    assert tapered(rows, sd, groups, phi) == pytest.approx(rows @ whole @ rows.T, rel=1e-12)
    one = np.abs(np.subtract.outer(range(9), range(9)))
    for value in (0.6, 0.0, -0.4):
        assert mean_inflation(9, value) == pytest.approx((value**one).sum() / 9.0, rel=1e-12)


def test_tests_find_dependence_as_often_as_they_say() -> None:
    # both have 5 % of independent values below 5 %: 400 of them, |z| < 4 of the binomial
    groups = np.repeat(np.arange(4, dtype=np.intp), 30)
    chances = {"lag": [], "runs": []}
    processes = []
    for seed in range(400):
        rng = np.random.Generator(np.random.PCG64(seed))
        for phi, kept in ((0.0, True), (0.6, False)):
            x = process(phi, 30, rng)
            off = x - (np.bincount(groups, x) / 30.0)[groups]
            lag, runs = lag_one(off, groups), runs_test(off, groups)
            assert lag is not None
            assert runs is not None
            if kept:
                chances["lag"].append(lag.chance)
                chances["runs"].append(runs.chance)
            else:
                processes.append(lag.process)
                assert lag.chance < 0.01
    for found in chances.values():
        share = np.mean(np.array(found) < 0.05)
        assert abs(share - 0.05) < 4.0 * math.sqrt(0.05 * 0.95 / 400.0)
    # φ is found without bias to the order of 1/n; not put right it is low by
    # (1 + 4·0.6)/30 = 0.11, and what is left is of the order of its square
    assert abs(np.mean(processes) - 0.6) < 0.05


def fitted(phi: float, each: int = 40) -> FeederFit:
    (feeder,) = fit_trial(SCENARIO, measured(phi, each, 3)).feeders
    return feeder


def test_means_and_bands_of_a_speed_are_wider_too() -> None:
    one, other = fitted(0.0), fitted(0.6)
    for at in range(len(SPEEDS)):
        plain, wide = one.speeds[at].placement, other.speeds[at].placement
        assert plain.band.mean_band_mm is not None
        assert wide.band.mean_band_mm is not None
        half = [(b.high - b.low) / 2.0 for b in (plain.band.mean_band_mm, wide.band.mean_band_mm)]
        assert half[1] / half[0] > 1.5  # √3.81 = 1.95 at φ = 0.6, and φ is estimated


def test_it_is_said() -> None:
    from feedsim.answers.trial.text import fit_text

    for phi, each, says in (
        (0.0, 40, "Placement errors are taken as independent of the card before: the rows"),
        (0.6, 40, "Placement errors ARE NOT independent of the card before (lag 1 +0."),
        (0.0, 4, "too few cards in a row at each speed to test it"),
    ):
        text = fit_text(fit_trial(SCENARIO, measured(phi, each, 3)))
        assert says in text.replace("\n", " ").replace("  ", " ")
