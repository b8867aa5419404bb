"""How many to run or to measure, against published plans and tables."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binom

from feedsim.metrics.sample_sizes import (
    Plan,
    chance_to_pass,
    plan_for,
    size_allowing,
    size_by_measuring,
    size_for_spread,
    spread_band,
    spread_interval,
    tolerance_factor,
)

# Wilks 1942, Annals of Mathematical Statistics 13:400: 59 for a share of 5 % at 95 %. The others
# n ≥ ln 0.05/ln(1 − p).
WITHOUT_ANY = [(0.05, 59), (0.01, 299), (0.001, 2995)]

# Runs with 0, 1, 2 … hits that show a share at 95 %: one-sided tolerance limits of higher order,
# as they are used in nuclear safety (Wilks; Guba, Makai & Pál 2003, Reliability Engineering and
# System Safety 80:217-232; from memory).
ALLOWING = {
    0.05: (59, 93, 124, 153, 181, 208),
    0.10: (29, 46, 61, 76, 89, 103),
    0.01: (299, 473, 628, 773, 913),
}

# Lot tolerance percent defective sampling plans, 90 %, acceptance numbers 0, 1, 2 … (the table of
# MIL-PRF-19500 and MIL-S-19500, columns 20, 10 and 5; from memory).
LTPD = {
    0.20: (11, 18, 25, 32, 38, 45, 51, 57, 63, 69),
    0.10: (22, 38, 52, 65, 78, 91, 104, 116, 128, 140),
    0.05: (45, 77, 105, 132, 158, 184, 209, 234, 258, 282),
}

# Quantiles 2.5 % and 97.5 % of chi-squared by degrees of freedom: NIST/SEMATECH e-Handbook,
# 1.3.6.7.4 (any table), three decimals.
CHI_SQUARE = {
    10: (3.247, 20.483),
    30: (16.791, 46.979),
    50: (32.357, 71.420),
    99: (73.361, 128.422),
}


@pytest.mark.parametrize(("share", "n"), WITHOUT_ANY)
def test_runs_without_a_hit(share: float, n: int) -> None:
    assert size_allowing(0, share) == n


@pytest.mark.parametrize("share", ALLOWING)
def test_runs_with_some_hits_at_95_per_cent(share: float) -> None:
    sizes = ALLOWING[share]
    assert tuple(size_allowing(hits, share) for hits in range(len(sizes))) == sizes


@pytest.mark.parametrize("share", LTPD)
def test_runs_with_some_hits_at_90_per_cent(share: float) -> None:
    sizes = LTPD[share]
    found = tuple(size_allowing(hits, share, confidence=0.9) for hits in range(len(sizes)))
    assert found == sizes


def test_chance_of_a_plan_against_scipy() -> None:
    for share in (0.0, 0.001, 0.05, 0.5, 1.0):
        for plan in (Plan(52, 3), Plan(2995, 0), Plan(10, 10)):
            assert chance_to_pass(plan, share) == pytest.approx(
                binom.cdf(plan.most, plan.n, share), abs=1e-12
            )


def test_the_shortest_plan_that_is_likely_passed() -> None:
    plan = plan_for(0.05, 0.01, confidence=0.95, chance=0.9)
    assert plan is not None
    # by the table above and the binomial distribution of scipy: 181 with 4 hits is the first that
    # is passed with 90 % where there are 1 %
    chances = [binom.cdf(hits, n, 0.01) for hits, n in enumerate(ALLOWING[0.05])]
    first = next(hits for hits, chance in enumerate(chances) if chance >= 0.9)
    assert plan == Plan(ALLOWING[0.05][first], first)
    assert binom.cdf(plan.most, plan.n, 0.05) <= 0.05


def test_no_plan_shows_what_is_not_so_or_hardly_so() -> None:
    assert plan_for(0.001, 0.001) is None
    assert plan_for(0.001, 0.00099) is None


@pytest.mark.parametrize("dof", CHI_SQUARE)
def test_interval_and_band_of_a_spread(dof: int) -> None:
    low, high = CHI_SQUARE[dof]
    half = 0.0005 / low  # half the last digit of the smaller one
    interval, band = spread_interval(dof + 1), spread_band(dof + 1)
    assert interval == pytest.approx((math.sqrt(dof / high), math.sqrt(dof / low)), rel=half)
    assert band == pytest.approx((math.sqrt(low / dof), math.sqrt(high / dof)), rel=half)


@pytest.mark.parametrize("dof", CHI_SQUARE)
def test_size_for_a_spread(dof: int) -> None:
    # the width that so many leave, by the table, a hair more and a hair less
    within = math.sqrt(dof / CHI_SQUARE[dof][0]) - 1.0
    assert size_for_spread(within * 1.001) == dof + 1
    assert size_for_spread(within * 0.999) == dof + 2


def test_tolerance_factor() -> None:
    # NIST/SEMATECH e-Handbook, 7.2.6.3: 43 wafers, 90 % of all at 99 %, two-sided: 2.217
    assert tolerance_factor(43, 0.90, confidence=0.99) == pytest.approx(2.217, abs=0.0005)
    assert size_by_measuring(2.2174, 0.90, confidence=0.99) == 43
    assert size_by_measuring(2.2170, 0.90, confidence=0.99) == 44
    # the factor of ever more values is the normal quantile, 1.645 for 90 %: less room, no number
    assert size_by_measuring(1.64, 0.90) is None


@pytest.mark.parametrize(("share", "confidence"), [(0.0, 0.95), (1.0, 0.95), (0.1, 1.0)])
def test_wrong_calls(share: float, confidence: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        size_allowing(0, share, confidence=confidence)
