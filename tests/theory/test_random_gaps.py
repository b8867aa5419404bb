"""Carriers at random that merge at their eye, whose edges are seen with a spread.

A gap is the least one and an exponential; the edge that ends it is seen a normal distance off.
Their sum is the exponentially modified normal distribution, which SciPy has as ``exponnorm``.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import exponnorm

from feedsim.arrivals import RandomGaps
from feedsim.machine import Carriers, Eye
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
