"""Weighted least squares, lack of fit, outliers: against general libraries and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import f_oneway

from feedsim.metrics.fits import far_out, lack_of_fit, nothing_there, weighted_fit

X = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
Y = np.array([1.2, 1.9, 3.2, 3.8, 5.3, 5.9])
SD = np.array([0.1, 0.1, 0.2, 0.3, 0.3, 0.5])


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones_like(x), x])


def test_weights_and_covariance_against_scipy() -> None:
    fit = weighted_fit(line(X), Y, weights=1.0 / SD**2)
    b, covariance = curve_fit(lambda x, a, b: a + b * x, X, Y, sigma=SD, absolute_sigma=False)
    assert fit.coefficients == pytest.approx(b, rel=1e-6)  # curve_fit iterates to 1e-8
    assert fit.covariance == pytest.approx(covariance, rel=1e-5)


def test_a_whole_weight_is_so_many_equal_values() -> None:
    weights = np.array([1.0, 2.0, 3.0, 1.0, 1.0, 2.0])
    one = weighted_fit(line(X), Y, weights=weights)
    each = np.repeat(np.arange(6), weights.astype(int))
    many = weighted_fit(line(X[each]), Y[each])
    assert one.coefficients == pytest.approx(many.coefficients, rel=1e-12)
    assert one.weighted_squares == pytest.approx(many.weighted_squares, rel=1e-10)


def test_rows_make_the_coefficients_and_their_covariance() -> None:
    fit = weighted_fit(line(X), Y, weights=1.0 / SD**2)
    assert fit.pseudo_inverse @ Y == pytest.approx(fit.coefficients, rel=1e-12)
    # cov(b) = rows·cov(y)·rowsᵀ with cov(y) = s²·diag(sd²)
    variance = fit.residual_sd**2 * SD**2
    assert (fit.pseudo_inverse * variance) @ fit.pseudo_inverse.T == pytest.approx(
        fit.covariance, rel=1e-10
    )


def test_a_far_off_origin_costs_no_digits() -> None:
    near = weighted_fit(line(X), Y)
    far = weighted_fit(line(X + 1e7), Y)
    assert far.coefficients[1] == pytest.approx(near.coefficients[1], rel=1e-9)
    assert far.sds[1] == pytest.approx(near.sds[1], rel=1e-9)


@pytest.mark.parametrize(
    ("design", "values"),
    [
        (line(X[:2]), Y[:2]),
        (line(np.full(6, 3.0)), Y),
        (np.column_stack([X, 2.0 * X]), Y),
        (np.column_stack([np.zeros(6), X]), Y),
    ],
)
def test_what_cannot_be_fitted(design: np.ndarray, values: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"need more|multiple of another|depend on each other"):
        weighted_fit(design, values)


def test_lack_of_fit_of_a_mean_is_one_way_analysis_of_variance() -> None:
    parts = [np.array([1.0, 1.4, 0.9]), np.array([2.0, 2.2]), np.array([1.1, 1.0, 1.3, 1.2])]
    values = np.concatenate(parts)
    groups = np.repeat([0, 1, 2], [3, 2, 4])
    lack = lack_of_fit(weighted_fit(np.ones((9, 1)), values), groups)
    expected = f_oneway(*parts)
    assert lack is not None
    assert lack.ratio == pytest.approx(expected.statistic, rel=1e-10)
    assert lack.probability == pytest.approx(expected.pvalue, rel=1e-9)
    assert lack.dof == 2


def test_lack_of_fit_by_hand() -> None:
    # pairs at 0, 1, 2 with means 0, 2, 0: the line is flat at 2/3, means off by −2/3, 4/3, −2/3;
    # SS of means 2·(4 + 16 + 4)/9 = 16/3 with 1 dof, within 3·2·0.1² = 0.06 with 3
    x = np.repeat([0.0, 1.0, 2.0], 2)
    y = np.array([-0.1, 0.1, 1.9, 2.1, -0.1, 0.1])
    lack = lack_of_fit(weighted_fit(line(x), y), np.repeat([0, 1, 2], 2))
    assert lack is not None
    assert lack.mean_square == pytest.approx(16.0 / 3.0)
    assert lack.ratio == pytest.approx(16.0 / 3.0 / 0.02)


def test_lack_of_fit_where_it_cannot_be_told() -> None:
    two = weighted_fit(line(np.array([0.0, 0.0, 1.0])), np.array([0.0, 0.1, 1.0]))
    assert lack_of_fit(two, np.array([0, 0, 1])) is None  # two speeds
    singles = weighted_fit(line(X), Y)
    assert lack_of_fit(singles, np.arange(6)) is None  # nothing repeated
    same = weighted_fit(line(np.repeat(X[:3], 2)), np.repeat([1.0, 2.0, 4.0], 2))
    assert lack_of_fit(same, np.repeat([0, 1, 2], 2)) is None  # no spread to compare with


def test_nothing_there() -> None:
    assert nothing_there(np.zeros(2), np.eye(2), dof=10.0) == 1.0
    # F = (3² + 0)/2 = 4.5; table: F(0.99; 2, 10) = 7.559, F(0.95; 2, 10) = 4.103
    chance = nothing_there(np.array([3.0, 0.0]), np.eye(2), dof=10.0)
    assert 0.01 < chance < 0.05
    at = nothing_there(np.array([np.sqrt(2 * 4.103), 0.0]), np.eye(2), dof=10.0)
    assert at == pytest.approx(0.05, abs=5e-5)
    # values without any spread
    assert nothing_there(np.zeros(2), np.zeros((2, 2)), dof=1.0) == 1.0
    assert nothing_there(np.array([1.0, 0.0]), np.zeros((2, 2)), dof=1.0) == 0.0


def test_outliers_are_named_the_farthest_first_and_few_values_have_none() -> None:
    values = np.concatenate([np.linspace(-1.0, 1.0, 40), [9.0, -7.0]])
    assert far_out(values, most=5) == [40, 41]
    assert far_out(np.array([0.0, 0.0, 0.0, 50.0]), most=2) == []
    assert far_out(np.ones(20), most=3) == []


def test_a_clean_normal_sample_rarely_has_an_outlier() -> None:
    # 5 % of samples may: of 400 between 4 and 40 (z of 4 around 20, standard error 4.4)
    rng = np.random.Generator(np.random.PCG64(5))
    hits = sum(bool(far_out(rng.normal(size=60), most=5)) for _ in range(400))
    assert 4 <= hits <= 40
