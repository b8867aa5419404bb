"""A spread split into a fixed part and a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from feedsim.answers.trial.study.spread import (
    Scatter,
    chance_of_parts,
    nearest_not_below_0,
    scatter_of,
    split,
    variance_at,
)

SPEEDS = (400.0, 600.0, 800.0, 1000.0)


def exact(fixed: float, time: float, *, dof: float = 48.0) -> list[Scatter]:
    """Sums of squares that are what they are on average."""
    return [Scatter(v, dof * (fixed**2 + (time * v) ** 2), dof) for v in SPEEDS]


@pytest.mark.parametrize(("fixed", "time"), [(0.3, 0.5e-3), (0.2, 0.0), (0.0, 1e-3), (1.0, 5e-3)])
def test_variances_on_the_curve_give_back_its_parts(fixed: float, time: float) -> None:
    found = split(exact(fixed, time), kurtosis=0.0, confidence=0.95)
    assert found is not None
    assert found.fixed_mm == pytest.approx(fixed, rel=1e-5, abs=1e-4)
    assert found.time_s == pytest.approx(time, rel=1e-5, abs=1e-7)
    assert found.fixed_ci_mm.low <= fixed + 1e-9 <= found.fixed_ci_mm.high + 1e-9
    assert found.time_ci_s is not None
    assert found.time_ci_s.low <= time + 1e-12 <= found.time_ci_s.high


def test_a_curve_that_falls_with_speed_has_no_time_in_it() -> None:
    # variances 4, 3, 2, 1: the nearest A + B·v² with B of at least 0 is flat
    scatter = [
        Scatter(v, 50.0 * s, 50.0) for v, s in zip(SPEEDS, (4.0, 3.0, 2.0, 1.0), strict=True)
    ]
    found = split(scatter, kurtosis=0.0, confidence=0.95)
    assert found is not None
    assert found.time_s == 0.0
    assert found.fixed_mm == pytest.approx(math.sqrt(2.5))


def test_one_speed_has_the_likelihood_interval_of_a_variance() -> None:
    # −2·ln L = ν·(ln A + s²/A); it falls by χ²(95 %; 1) = 3.841 (any table)
    nu, s2 = 60.0, 0.25
    found = split([Scatter(500.0, nu * s2, nu)], kurtosis=0.0, confidence=0.95)
    assert found is not None
    assert found.time_s is None
    assert found.fixed_mm == pytest.approx(0.5)
    for end in found.fixed_ci_mm:
        fall = nu * (math.log(end**2 / s2) + s2 / end**2 - 1.0)
        assert fall == pytest.approx(3.8415, abs=1e-3)
    # and nearly the exact one, √(ν·s²/χ²(97.5 % and 2.5 %; 60)) = √(60·0.25/83.298), …/40.482
    assert found.fixed_ci_mm.low == pytest.approx(math.sqrt(15.0 / 83.298), rel=0.02)
    assert found.fixed_ci_mm.high == pytest.approx(math.sqrt(15.0 / 40.482), rel=0.02)


def test_heavy_tails_widen_intervals_and_light_ones_narrow_them() -> None:
    normal, heavy, light = (
        split(exact(0.3, 0.5e-3), kurtosis=k, confidence=0.95) for k in (0.0, 3.0, -0.6)
    )
    widths = [f.fixed_ci_mm.high - f.fixed_ci_mm.low for f in (light, normal, heavy) if f]
    assert widths == sorted(widths)
    assert widths[0] < widths[1] < widths[2]


def test_nothing_that_scatters_has_no_split() -> None:
    assert split([], kurtosis=0.0, confidence=0.95) is None
    assert split([Scatter(500.0, 0.0, 5.0)], kurtosis=0.0, confidence=0.95) is None


def test_chance_of_the_parts_that_are_expected() -> None:
    scatter = exact(0.3, 0.5e-3)
    found = split(scatter, kurtosis=0.0, confidence=0.95)
    assert found is not None
    assert chance_of_parts(scatter, found, fixed_mm=0.3, time_s=0.5e-3) == pytest.approx(1.0)
    assert chance_of_parts(scatter, found, fixed_mm=0.3, time_s=0.1e-3) < 1e-6
    # by hand: twice the log likelihood falls by Σ ν·(ln r + 1/r − 1), r = σ² claimed/σ²
    r = [(0.33**2 + (0.5e-3 * v) ** 2) / (0.3**2 + (0.5e-3 * v) ** 2) for v in SPEEDS]
    fall = sum(48.0 * (math.log(x) + 1.0 / x - 1.0) for x in r)
    chance = chance_of_parts(scatter, found, fixed_mm=0.33, time_s=0.5e-3)
    assert chance == pytest.approx(chi2.sf(fall, 2), rel=1e-4)


def test_scatter_within_groups_by_hand() -> None:
    values, speeds = np.array([1.0, 3.0, 5.0, 5.0, 8.0]), np.array([1.0, 1.0, 2.0, 2.0, 3.0])
    scatter, off = scatter_of(values, speeds, np.array([0, 0, 1, 1, 2]))
    assert scatter == [Scatter(1.0, 2.0, 1.0), Scatter(2.0, 0.0, 1.0)]
    assert off.tolist() == [-1.0, 1.0, 0.0, 0.0, 0.0]


def test_variance_is_the_sum_of_both_parts() -> None:
    found = split(exact(0.3, 0.5e-3), kurtosis=0.0, confidence=0.95)
    assert found is not None
    assert variance_at(found, np.array([1000.0])) == pytest.approx(0.09 + 0.25, rel=1e-5)


def test_nearest_not_below_0_is_plain_least_squares_where_that_is_above_0() -> None:
    design = np.column_stack([np.ones(4), np.square(SPEEDS)])
    values = np.array([1.0, 1.5, 1.9, 2.8])
    plain = np.linalg.lstsq(design, values, rcond=None)[0]
    assert nearest_not_below_0(design, values) == pytest.approx(plain)
