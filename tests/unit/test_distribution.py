"""Distributions of sums, against those that have a closed form or a sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from feedsim.probability.distribution import Distribution, clipped_at
from feedsim.probability.distribution_parts import Clipped, Lattice, merged
from feedsim.probability.even_grid import EvenGrid
from feedsim.probability.normal import positive_mean, share_below

PLACES = (-3.7, -1.0, -0.2, 0.0, 0.31, 0.99, 1.6, 4.0)


@pytest.mark.parametrize("x", PLACES)
def test_a_normal_part_alone(x: float) -> None:
    found = Distribution(mean=0.2, normal_sd=0.7).share_below(x)
    assert found == pytest.approx(stats.norm.cdf(x, 0.2, 0.7), abs=1e-12)


@pytest.mark.parametrize("x", PLACES)
def test_two_uniform_parts_make_a_triangle_or_a_trapezium(x: float) -> None:
    for a, b in ((1.0, 1.0), (1.5, 0.4)):
        # trapezium from −a−b to a+b, level from −|a−b| to |a−b|
        scale = 2.0 * (a + b)
        flat = stats.trapezoid(b / (a + b), a / (a + b), loc=-(a + b), scale=scale)
        found = Distribution(half_widths=(a, b)).share_below(x)
        # the normal part of 1/10 000 of the range moves it by less than that
        assert found == pytest.approx(flat.cdf(x), abs=2e-7)


@pytest.mark.parametrize("n", [3, 5])
def test_the_tail_of_a_sum_of_uniform_parts_is_irwin_halls(n: int) -> None:
    # sum of n uniforms on 0…1 below x < 1: xⁿ/n! (Irwin-Hall)
    for x in (0.2, 0.5, 0.9):
        found = Distribution(mean=0.5 * n, half_widths=(0.5,) * n).share_below(x)
        assert found == pytest.approx(x**n / math.factorial(n), abs=2e-7)


def test_a_normal_and_a_uniform_part() -> None:
    # ∫Φ over the width, by antiderivative zΦ(z) + φ(z)
    def whole(z: float) -> float:
        return float(z * stats.norm.cdf(z) + stats.norm.pdf(z))

    sd, half = 0.3, 1.2
    for x in PLACES:
        expected = sd * (whole((x + half) / sd) - whole((x - half) / sd)) / (2.0 * half)
        found = Distribution(normal_sd=sd, half_widths=(half,)).share_below(x)
        assert found == pytest.approx(expected, abs=1e-12)


def test_small_tails_hold_to_a_few_parts_of_a_billion() -> None:
    found = Distribution(normal_sd=1.0).share_below(-5.0)
    assert found == pytest.approx(stats.norm.cdf(-5.0), rel=1e-4)
    assert Distribution(half_widths=(1.0, 1.0)).share_below(-2.01) == 0.0
    assert Distribution(half_widths=(1.0, 1.0)).share_below(2.01) == 1.0


def test_values_and_parts_that_are_rarely_there() -> None:
    steps = Distribution(normal_sd=0.05, choices=({-1.0: 0.25, 0.5: 0.75},))
    assert steps.share_below(0.0) == pytest.approx(0.25, abs=1e-12)
    late = Distribution(normal_sd=0.01, rarely=((0.2, 2.0),))
    assert late.share_below(1.0) == pytest.approx(0.9, abs=1e-12)
    early = Distribution(normal_sd=0.01, rarely=((0.2, -2.0),))
    assert early.share_below(-1.0) == pytest.approx(0.1, abs=1e-12)
    assert early.share_outside(-1.0, 0.5) == pytest.approx(0.1, abs=1e-12)


def test_without_any_spread_it_is_a_step() -> None:
    still = Distribution(mean=1.0)
    assert (still.share_below(1.0), still.share_below(1.1)) == (0.0, 1.0)
    assert Distribution(choices=({1.0: 1.0},)).share_below(1.5) == 1.0


CLIPPED = [(0.3, 0.2), (0.0, 1.0), (-1.0, 0.5), (2.0, 0.5)]


@pytest.mark.parametrize(("mean", "sd"), CLIPPED)
def test_a_clipped_normal_has_its_moments_and_its_shares(mean: float, sd: float) -> None:
    # moments by quadrature of the normal density above 0; scipy.stats has the shares
    law = stats.norm(mean, sd)
    first = law.expect(lambda x: x, lb=0.0, ub=mean + 12.0 * sd)
    second = law.expect(lambda x: x * x, lb=0.0, ub=mean + 12.0 * sd)
    part = Clipped(mean, sd, factor=-2.0)
    assert part.mean == pytest.approx(-2.0 * first, abs=1e-9)
    assert part.variance == pytest.approx(4.0 * (second - first * first), abs=1e-9)
    found = Distribution(normal_sd=0.004, clipped=(Clipped(mean, sd),))
    for x in (-0.2, 0.25, 0.5, 1.7):
        # the little normal part smears what is clipped to 0 by no more than 9 of its own
        expected = law.cdf(x) if x > 0.0 else 0.0
        assert found.share_below(x) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("mean", [-30.0, -0.4, 0.0, 0.3, 12.0])
def test_the_mean_of_the_positive_part_is_the_integral_of_the_distribution_function(
    mean: float,
) -> None:
    sd, law = 2.5, stats.norm(mean, 2.5)
    wanted, _ = integrate.quad(law.sf, 0.0, max(1.0, mean + 10.0 * sd), epsabs=0.0, epsrel=1e-12)
    assert positive_mean(mean, sd) == pytest.approx(wanted, rel=1e-9, abs=1e-15)
    assert positive_mean(np.array([mean]), sd)[0] == pytest.approx(wanted, rel=1e-9, abs=1e-15)
    assert share_below(mean) == pytest.approx(special.ndtr(mean), rel=1e-13)


def test_a_normal_that_is_always_clipped_or_never_is_none_of_its_kind() -> None:
    assert clipped_at(0.0, mean=-9.0, sd=0.1) == Distribution(0.0)
    assert clipped_at(0.0, mean=9.0, sd=0.1) == Distribution(9.0, 0.1)


@pytest.mark.parametrize("many", [1, 2, 3, 7, 500])
def test_a_row_in_closed_form_is_its_values_one_by_one(many: int) -> None:
    row = Lattice(-0.7, 0.013, many, 1.0, 0.0)
    if many > 1:
        row = Lattice(-0.7, 0.013, many, 0.3 if many > 2 else 0.6, 0.4)
    values = {-0.7 + 0.013 * k: p for k, p in enumerate(row.shares().tolist())}
    plain = Distribution(0.1, 0.05, choices=(values,))
    closed = Distribution(0.1, 0.05, lattices=(row,))
    assert sum(values.values()) == pytest.approx(1.0, abs=1e-12)
    assert closed.average == pytest.approx(plain.average, abs=1e-10)
    assert closed.sd == pytest.approx(plain.sd, abs=1e-9)
    for terms in (701, 7001):  # worked out one by one, and in blocks
        places = EvenGrid(1400.0 / terms, terms)  # 2π/step is 483: the grid comes round there
        each = sum(p * np.exp(1j * places.t * x) for x, p in values.items())
        np.testing.assert_allclose(row.wave(places), each, rtol=0.0, atol=1e-9)
    for x in (-0.6, 0.0, 2.0, 6.0):
        assert closed.share_below(x) == pytest.approx(plain.share_below(x), abs=1e-10)


def test_an_even_lattice_has_the_variance_of_equal_steps() -> None:
    # γ²·(n² − 1)/12, any text on discrete uniform variables
    row = Lattice.even(0.3, 40)
    assert (row.mean, row.bounds) == (pytest.approx(0.0, abs=1e-12), pytest.approx((-5.85, 5.85)))
    assert row.variance == pytest.approx(0.09 * (1600.0 - 1.0) / 12.0, rel=1e-12)


def test_merged_values_keep_their_mean_and_move_no_further_than_stated() -> None:
    rng = np.random.default_rng(3)
    places, weights = rng.uniform(-2.0, 3.0, 5000), rng.uniform(0.0, 1.0, 5000)
    weights /= weights.sum()
    values = dict(zip(places.tolist(), weights.tolist(), strict=True))
    few, span = merged(places, weights, most=50), 5.0
    assert len(few) <= 50
    a, b = Distribution(choices=(values,)), Distribution(choices=(few,))
    assert b.average == pytest.approx(a.average, abs=1e-12)
    assert 0.0 <= a.sd**2 - b.sd**2 <= (span / 100.0) ** 2
    for x in (-1.0, 0.4, 2.2):
        share = sum(p for value, p in values.items() if value < x)
        wide = [sum(p for v, p in few.items() if v < x + side) for side in (-0.1, 0.1)]
        assert wide[0] <= share <= wide[1]


def test_a_sum_and_a_multiple_have_the_moments_that_they_must_have() -> None:
    a = Distribution(0.3, 0.4, (0.5,), ({-1.0: 0.25, 2.0: 0.75},), ((0.1, 3.0),))
    b = Distribution(-1.0, 0.3, (0.2, 0.1), (), ((0.2, -1.0),))
    both, less = a.plus(b), a.times(-2.0)
    assert both.average == pytest.approx(a.average + b.average)
    assert both.sd == pytest.approx(math.hypot(a.sd, b.sd))
    assert less.average == pytest.approx(-2.0 * a.average)
    assert less.sd == pytest.approx(2.0 * a.sd)
    # P(−2A < x) = P(A > −x/2)
    for x in PLACES:
        assert less.share_below(x) == pytest.approx(1.0 - a.share_below(-0.5 * x), abs=1e-9)


def test_two_clipped_normals_in_a_row_against_a_sample() -> None:
    # pitches normal(232, 10) clipped at 230, as they are drawn; n so that 0.01 is 4 standard errors
    rng = np.random.default_rng(4)
    n = 40_000
    sums = np.maximum(rng.normal(232.0, 10.0, (n, 2)), 230.0).sum(axis=1)
    sums += rng.normal(0.0, 0.3, n)  # as edges blur it
    one = clipped_at(230.0, mean=232.0, sd=10.0)
    both = one.plus(one).plus(Distribution(normal_sd=0.3))
    for x in (462.0, 465.0, 475.0):
        share = both.share_below(x)
        assert abs(float(np.mean(sums < x)) - share) < 4.0 * math.sqrt(share * (1.0 - share) / n)
        # the normal law that is not clipped would be found out
        assert abs(stats.norm.cdf(x, 464.0, 10.0 * math.sqrt(2.0)) - share) > 0.01
    assert both.share_below(457.0) == pytest.approx(0.0, abs=1e-9)


def test_what_is_hardly_clipped_stays_normal() -> None:
    assert clipped_at(0.0, mean=10.0, sd=1.0) == Distribution(10.0, 1.0)
    assert clipped_at(3.0, mean=2.0, sd=0.0) == Distribution(3.0)


@pytest.mark.parametrize("of", [
    Distribution(3.0, 2.0),
    Distribution(3.0, 0.01, (1.0, 2.0)),
    Distribution(0.0, 0.0, (1.0,)),
    Distribution(0.0, 0.1, (1.0, 2.0, 3.0, 1.0), rarely=((0.01, 90.0),)),
    Distribution(5.0, 0.3, (3.0,), clipped=(Clipped(3.0, 4.0),)),
    Distribution(5.0, 0.02, choices=({0.0: 0.5, 20.0: 0.5},)),
])  # fmt: skip
def test_many_shares_at_once_are_those_asked_one_by_one(of: Distribution) -> None:
    below = of.shares_below()
    limits = np.linspace(below.low_at - 1.0, below.high_at + 1.0, 97)
    one_by_one = [of.share_below(float(x)) for x in limits]
    # a straight line over a 22nd of a standard deviation is off by 0.045²/8·max|φ'| = 6.2e-5
    assert np.max(np.abs(below(limits) - one_by_one)) < 6.2e-5


def test_many_shares_of_one_value_jump_there() -> None:
    assert Distribution(2.0).shares_below()(np.array([1.9, 2.0, 2.1])).tolist() == [0.0, 0.0, 1.0]


@pytest.mark.parametrize("step", [1e-3, 1e-2, 0.1])
def test_a_long_grid_is_off_by_rounding_steps(step: float) -> None:
    long = EvenGrid(step, 20_000)
    assert long.is_long
    assert not EvenGrid(step, 1000).is_long
    for x in (-3.0, 0.4):
        np.testing.assert_allclose(long.turned(x), np.exp(1j * x * long.t), rtol=0.0, atol=1e-11)
        np.testing.assert_allclose(long.sines(x), np.sin(x * long.t), rtol=0.0, atol=1e-11)
    for grid in (long, EvenGrid(step, 1000)):
        one, other = (np.sinc(half * grid.t / np.pi) for half in (0.7, 1.9))
        np.testing.assert_allclose(grid.uniform({0.7: 1}), one, rtol=0.0, atol=1e-11)
        both = grid.uniform({0.7: 1, 1.9: 3})
        np.testing.assert_allclose(both, one * other**3, rtol=0.0, atol=1e-11)


@pytest.mark.parametrize("step", [1e-3, 1e-2, 0.1])
@pytest.mark.parametrize("at", [-3.3j, -1j, 0j, 2j])
@pytest.mark.parametrize("per_t", [0.05, 0.3, -0.7, 3.0])
def test_a_long_grid_of_clipped_waves_is_faddeevas(step: float, at: complex, per_t: float) -> None:
    # scipy's wofz is good to 13 digits (Johnson's Faddeeva package)
    for terms in (900, 5000, 20_000):
        grid = EvenGrid(step, terms)
        wanted = special.wofz(at + per_t * grid.t)
        size = max(1.0, float(np.abs(wanted).max()))
        np.testing.assert_allclose(grid.faddeeva(at, per_t), wanted, rtol=0.0, atol=1e-10 * size)


def test_a_long_grid_gives_the_shares_of_a_clipped_gap_beside_a_sharp_edge() -> None:
    # P(max(0, G) + N < x) = ∫ φ((y − m)/s)/s·Φ((x − y)/e) dy over y > 0, and Φ(−m/s)·Φ(x/e)
    m, s, e = 4.0, 15.0, 0.02
    gap = clipped_at(0.0, mean=m, sd=s).plus(Distribution(normal_sd=e))
    wave = gap._wave()
    assert wave is not None
    assert wave.grid.is_long
    for x in (0.01, 0.05, 1.0, 20.0):
        part, _ = integrate.quad(
            lambda y: stats.norm.pdf(y, m, s) * special.ndtr((x - y) / e),  # noqa: B023
            0.0, x + 9.0 * e, points=[max(0.0, x - 9.0 * e), x],
        )  # fmt: skip
        expected = stats.norm.cdf(-m / s) * stats.norm.cdf(x / e) + part
        assert gap.share_below(x) == pytest.approx(expected, abs=1e-8)
