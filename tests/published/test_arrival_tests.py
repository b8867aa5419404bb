"""Tests of the arrival law against scipy, a textbook's example and drawn samples."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy import stats

from feedsim.answers.learn.study.laws import (
    _anderson_darling,
    arrival_law,
    exponential_fit,
    normal_fit,
    not_in_a_row,
)

# Weights of 20 chicks (g), the example of D'Agostino & Stephens 1986, Goodness-of-Fit Techniques,
# table 4.1; with a normal law of mean 200 and sd 35 they give A² = 1.019 there, from standard
# values rounded to three digits. Data and figure from memory.
CHICKS = np.array(
    [
        *(156.0, 162, 168, 182, 186, 190, 190, 196, 202, 210),
        *(214, 220, 226, 230, 230, 236, 236, 242, 246, 270),
    ]
)


def drawn(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    g = np.random.default_rng(seed)
    return g.normal(260.0, 2.0, n), g.exponential(70.0, n)


def scipy_statistic(values: np.ndarray, law: str) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scipy 1.17 tells of an argument to come
        return float(stats.anderson(values, law).statistic)


def test_the_example_of_the_textbook() -> None:
    below = stats.norm.cdf(CHICKS, 200.0, 35.0)
    assert _anderson_darling(below) == pytest.approx(1.019, abs=0.004)


@pytest.mark.parametrize("seed", range(5))
def test_statistics_are_those_of_scipy(seed: int) -> None:
    normal, exponential = drawn(seed, 83)
    n = 83
    unknown = normal_fit(normal).statistic / (1.0 + 0.75 / n + 2.25 / n**2)
    assert unknown == pytest.approx(scipy_statistic(normal, "norm"), rel=1e-9)
    scale = exponential_fit(exponential).statistic / (1.0 + 0.6 / n)
    assert scale == pytest.approx(scipy_statistic(exponential, "expon"), rel=1e-9)


def test_the_table_of_the_exponential_law_is_that_of_scipy() -> None:
    _, values = drawn(1, 50)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = stats.anderson(values, "expon")
    # scipy gives them to three digits, for the uncorrected statistic; before it had these, its
    # older table (0.922 to 1.957, corrected) was up to 4 % off in chance
    older = theirs.critical_values[0] * (1.0 + 0.6 / 50) > 0.919
    at = np.asarray(theirs.critical_values) * (1.0 + 0.6 / 50)
    for point, chance in zip(at, theirs.significance_level / 100.0, strict=True):
        ours = np.interp(point, [0.916, 1.062, 1.321, 1.591, 1.959], [0.15, 0.1, 0.05, 0.025, 0.01])
        assert ours == pytest.approx(chance, rel=0.05 if older else 0.02)


@pytest.mark.parametrize("law", ["normal", "exponential"])
def test_chances_are_those_that_drawn_samples_have(law: str) -> None:
    # under the law a p value is uniform on 0…1: counts below 0.05 and 0.3 of 600 are binomial
    test = {"normal": normal_fit, "exponential": exponential_fit}[law]
    place = ["normal", "exponential"].index(law)
    chances = np.array([test(drawn(seed, 100)[place]).chance for seed in range(600)])
    for share in (0.05, 0.3):
        sd = math.sqrt(600 * share * (1.0 - share))
        assert abs(np.count_nonzero(chances < share) - 600 * share) < 4.0 * sd
    other = np.array([test(drawn(seed, 100)[1 - place]).chance for seed in range(20)])
    assert np.all(other < 1e-3)


def test_the_chance_of_neighbours_is_that_of_drawn_samples() -> None:
    chances = np.array([not_in_a_row(drawn(seed, 200)[0]) for seed in range(400)], dtype=float)
    assert abs(np.count_nonzero(chances < 0.05) - 20) < 4.0 * math.sqrt(19.0)
    drift = np.cumsum(drawn(3, 200)[0] - 260.0)
    chance = not_in_a_row(drift)
    assert chance is not None
    assert chance < 1e-6


def law_of(pitches: np.ndarray, *, grain: float = 0.5) -> str | None:
    edges = np.ceil(np.cumsum(pitches) / grain) * grain
    x = np.diff(edges)
    return arrival_law(x, x < 1.5 * np.median(x), noise_mm=0.3, grain_mm=grain).law


def test_each_law_is_found_and_none_where_there_is_none() -> None:
    g = np.random.default_rng(5)
    normal, exponential = drawn(5, 400)
    assert law_of(normal) == "paced"
    assert law_of(230.0 + exponential) == "random"
    two = np.where(g.random(400) < 0.5, 250.0, 270.0) + g.normal(0.0, 1.0, 400)
    assert law_of(two) == "none"
    drifting = 260.0 + 3.0 * np.sin(np.arange(400) / 15.0) + g.normal(0.0, 2.0, 400)
    assert law_of(drifting) == "none"
    assert law_of(normal[:12]) is None
    assert law_of(normal, grain=5.0) is None
    assert law_of(np.full(100, 260.0)) == "paced"
