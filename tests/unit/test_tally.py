"""Counts that a search adds up are those that the figures of a run have."""

from dataclasses import astuple
from pathlib import Path

import pytest

import feedsim
from feedsim.metrics.paired_feeders import Ran
from feedsim.metrics.tally import tally
from feedsim.running.run import criteria_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROUGH = {
    "run.carriers": 400,
    "line.speed": "150 m/min",
    "carrier_eye.missed": "2 %",
    "feeder.0.eye.missed": "2 %",
    "feeder.0.insert.double": "3 %",
    "feeder.0.insert.misfeed": "3 %",
}


@pytest.mark.parametrize("name", ["membership_card", "two_feeders"])
def test_a_tally_counts_what_the_figures_count(name):
    ran = feedsim.run(feedsim.load(SCENARIOS / f"{name}.toml", ROUGH)).ran
    several = Ran(ran.records, ran.machine, criteria_of(ran.scenario))
    for number, results in enumerate(ran.results.feeders):
        found = tally(several, number=number)
        assert (found.missed, found.placed) == (results.missed.count, results.placed)
        assert found.causes == astuple(results.missed.by_cause)
        assert found.at_risk == results.jam_risk.count
        assert found.hazards == tuple(h.count for h in results.hazards.by_name.values())
        assert found.within == round(results.placement_error.within_tolerance * results.placed)
    first = tally(several, number=0)
    assert min(first.missed, first.at_risk, sum(n > 0 for n in first.hazards)) > 1
