"""Distributions of sums, against those that have a closed form or a sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from feedsim.settings.distribution import Distribution, clipped_at, clipped_normal
from feedsim.settings.mechanisms import long_waits, long_waits_random

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


@pytest.mark.parametrize(("mean", "sd"), [(0.3, 0.2), (0.0, 1.0), (-1.0, 0.5), (-9.0, 0.1)])
def test_a_clipped_normal_has_its_mean_and_variance(mean: float, sd: float) -> None:
    values = clipped_normal(mean, sd)
    z = mean / sd
    expected = mean * stats.norm.cdf(z) + sd * stats.norm.pdf(z)
    square = (mean**2 + sd**2) * stats.norm.cdf(z) + mean * sd * stats.norm.pdf(z)
    assert sum(values.values()) == pytest.approx(1.0, abs=1e-12)
    assert sum(x * p for x, p in values.items()) == pytest.approx(expected, abs=1e-12)
    assert sum(x * x * p for x, p in values.items()) == pytest.approx(square, abs=1e-12)
    assert clipped_normal(0.3, 0.0) == {0.3: 1.0}


def waits(steps: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float]:
    """Lindley's recursion: W' = max(0, W + step)."""
    found, wait = [], 0.0
    for step in steps:
        wait = max(0.0, wait + float(step))
        found.append(wait)
    return found


def test_waits_behind_regular_carriers_follow_the_corrected_diffusion() -> None:
    rng = np.random.default_rng(5)
    found = np.array(waits(rng.normal(-1.5, 2.2, 400_000)))
    share = float(np.mean(found > 5.0))
    assert long_waits(5.0, drift=1.5, sd=2.2) == pytest.approx(share, rel=0.1)
    assert long_waits(5.0, drift=0.0, sd=2.2) == 1.0
    assert long_waits(5.0, drift=1.0, sd=0.0) == 0.0
    # without the correction it would be half as much again
    assert math.exp(-2.0 * 1.5 * 5.0 / 2.2**2) > 1.4 * share


@pytest.mark.parametrize(("service", "limit"), [(40.0, 5.0), (40.0, 100.0), (8.0, 70.0)])
def test_waits_behind_random_carriers_follow_erlang(service: float, limit: float) -> None:
    rng = np.random.default_rng(6)
    mean_gap = service / 0.8
    found = np.array(waits(service - rng.exponential(mean_gap, 400_000)))
    share = float(np.mean(found > limit))
    assert long_waits_random(limit, service=service, mean_gap=mean_gap) == pytest.approx(
        share, rel=0.35 if limit > 8.0 * service else 0.05
    )


def test_no_wait_without_service_and_all_wait_where_it_never_ends() -> None:
    assert long_waits_random(5.0, service=0.0, mean_gap=30.0) == 0.0
    assert long_waits_random(5.0, service=30.0, mean_gap=30.0) == 1.0


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
