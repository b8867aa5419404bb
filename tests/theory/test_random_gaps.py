"""Carriers at random that merge at their eye, whose edges are seen with a spread.

A gap is the least one and an exponential; the edge that ends it is seen a normal distance off.
Their sum is the exponentially modified normal distribution, which SciPy has as ``exponnorm``.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.integrate import quad
from scipy.stats import exponnorm, gamma

from feedsim.arrivals import RandomGaps
from feedsim.machine import Carriers, Eye
from feedsim.probability.distribution import Distribution
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.marks import share_merged
from tests.machines import machine

SPEED, OFF_S, LEAST = 500.0, 0.008, 5.0  # the output needs 4 mm: less than any gap


@pytest.mark.parametrize("mean", [2.0, 10.0, 200.0])
@pytest.mark.parametrize("sd", [0.1, 2.0, 20.0])
def test_the_share_that_merges_counts_the_spread_of_the_edge(mean: float, sd: float) -> None:
    made = machine(
        carriers=Carriers(RandomGaps(150.0, 150.0 + LEAST + mean, min_gap_mm=LEAST)),
        carrier_eye=Eye(0.0, off_response_s=OFF_S, edge_sd_mm=sd),
    )
    expected = float(exponnorm.cdf(SPEED * OFF_S - LEAST, mean / sd, scale=sd))
    assert share_merged(FeederAtSpeed(made, made.feeders[0], SPEED)) == pytest.approx(
        expected, rel=1e-6, abs=1e-12
    )
    # the twin, which a law of gaps alone gives: none
    exact = replace(made, carrier_eye=replace(made.carrier_eye, edge_sd_mm=0.0))
    assert share_merged(FeederAtSpeed(exact, exact.feeders[0], SPEED)) == 0.0


@pytest.mark.parametrize("many", [1, 2])
def test_doubles_that_keep_a_feeder_busy_longer_count_in_full(many: int) -> None:
    """A double keeps it busy for up to 85 mm longer, evenly; n gaps have a gamma law."""
    least, mean, busy, share, length = 230.0, 260.0, 220.0, 0.05, 85.0
    law = RandomGaps(210.0, mean, min_gap_mm=least - 210.0)
    come = gamma(many, scale=mean - least)
    longer, _ = quad(lambda u: come.cdf(many * busy + u - many * least) / length, 0.0, length)
    expected = (1.0 - share) * come.cdf(many * (busy - least)) + share * longer
    found = law.share_over_before(
        many, Distribution(many * busy, rarely=((share, length),)), {0.0: 1.0}
    )
    # by eight nodes
    assert found == pytest.approx(expected, rel=0.02)
    # the twin: a normal law of the same spread has none
    sd = Distribution(rarely=((share, length),)).sd
    plain = Distribution(many * busy + 0.5 * share * length, sd)
    assert law.share_over_before(many, plain, {0.0: 1.0}) != pytest.approx(expected, rel=0.2)
