"""Least squares against certified values, and outliers against a published example."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import scipy

from feedsim.metrics.fits import LinearFit, far_out, nothing_there, weighted_fit
from feedsim.metrics.student import student_interval

# NIST Statistical Reference Datasets, linear regression, Norris (lower difficulty); its file ships
# in scipy's wheel. Certified: 15 digits, computed there with 500.
NORRIS = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
NORRIS_B = (-0.262323073774029, 1.00211681802045)
NORRIS_SD = (0.232818234301152, 0.429796848199937e-3)
NORRIS_RESIDUAL_SD = 0.884796396144373
NORRIS_F = 5436385.54079785

# The same, NoInt1 (average difficulty): a line through the origin.
NO_INTERCEPT_X = np.arange(60.0, 71.0)
NO_INTERCEPT_Y = np.arange(130.0, 141.0)
NO_INTERCEPT = (2.07438016528926, 0.0165289256198347, 3.56753034006338)

DIGITS = 1e-12
"""Of 15 certified ones, what float64 leaves: values of 0.2 to 999 were typed with one decimal."""


def norris() -> tuple[np.ndarray, np.ndarray]:
    rows = [line.split() for line in NORRIS.read_text().splitlines()[60:]]
    table = np.array([[float(a), float(b)] for a, b in (row for row in rows if len(row) == 2)])
    assert len(table) == 36
    return table[:, 1], table[:, 0]


def fitted(*, weights: np.ndarray | None = None) -> LinearFit:
    x, y = norris()
    return weighted_fit(np.column_stack([np.ones_like(x), x]), y, weights=weights)


def test_norris() -> None:
    fit = fitted()
    assert fit.coefficients == pytest.approx(NORRIS_B, rel=DIGITS)
    assert fit.sds == pytest.approx(NORRIS_SD, rel=DIGITS)
    assert fit.residual_sd == pytest.approx(NORRIS_RESIDUAL_SD, rel=DIGITS)
    assert fit.dof == 34


def test_norris_does_not_depend_on_the_scale_of_its_weights() -> None:
    fit = fitted(weights=np.full(36, 3.7e-5))
    assert fit.coefficients == pytest.approx(NORRIS_B, rel=DIGITS)
    assert fit.sds == pytest.approx(NORRIS_SD, rel=DIGITS)


def test_the_f_of_norris_has_the_probability_of_its_slope() -> None:
    # with one coefficient F is t²: 5436385.54079785
    fit = fitted()
    assert (fit.coefficients[1] / fit.sds[1]) ** 2 == pytest.approx(NORRIS_F, rel=1e-11)
    slope, variance = fit.coefficients[1:], fit.covariance[1:, 1:]
    assert nothing_there(slope, variance, dof=fit.dof) < 1e-70
    # moved so that F is 4.13, the 5 % point with 1 and 34 degrees of freedom (any table)
    moved = slope * math.sqrt(4.13 / NORRIS_F)
    assert nothing_there(moved, variance, dof=fit.dof) == pytest.approx(0.05, abs=0.0005)


def test_no_intercept_1() -> None:
    fit = weighted_fit(NO_INTERCEPT_X[:, None], NO_INTERCEPT_Y)
    found = (fit.coefficients[0], fit.sds[0], fit.residual_sd)
    assert found == pytest.approx(NO_INTERCEPT, rel=DIGITS)


def test_a_line_with_its_prediction() -> None:
    # JCGM 100:2008 (GUM), H.3, calibration of a thermometer: intercept −0.1712(29), slope
    # 0.00218(67), value at 30 degrees −0.1494(41), correlation −0.930
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                  24.513, 25.002, 25.503, 26.010, 26.511]) - 20.0  # fmt: skip
    b = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    fit = weighted_fit(np.column_stack([np.ones_like(t), t]), b)
    assert fit.coefficients == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert fit.sds[0] == pytest.approx(0.0029, abs=5e-5)
    assert fit.sds[1] == pytest.approx(0.00067, abs=5e-6)
    correlation = fit.covariance[0, 1] / (fit.sds[0] * fit.sds[1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    there = np.array([1.0, 10.0])
    assert there @ fit.coefficients == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(there @ fit.covariance @ there) == pytest.approx(0.0041, abs=5e-5)


def test_students_quantile() -> None:
    # Student's t, 9 degrees of freedom, two-sided 95 %: 2.262 (any table)
    low, high = student_interval(1.0, 2.0, dof=9, confidence=0.95)
    assert (high - 1.0) / 2.0 == pytest.approx(2.262, abs=5e-4)
    assert low + high == pytest.approx(2.0)


# Rosner 1983, as the example of NIST/SEMATECH e-Handbook 1.3.5.17.3 (from memory: 54 values, up to
# 10 outliers asked for at 5 %; the third step, 3.179 against 3.143, is the last to exceed its
# limit, though the first, 3.118 against 3.158, does not).
ROSNER = np.array(
    [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58,
     1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15,
     2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21,
     3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
)  # fmt: skip


def test_rosners_example_has_three_outliers() -> None:
    places = far_out(ROSNER, most=10)
    assert sorted(ROSNER[places]) == [5.34, 5.42, 6.01]


def test_one_outlier_alone_is_not_found_there_since_the_others_hide_it() -> None:
    assert far_out(ROSNER, most=1) == []
