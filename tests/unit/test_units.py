"""In which units people are told of a line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import feedsim
from feedsim.scenario import units_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.parametrize(
    ("data", "units"),
    [
        ({"carrier": {"length": "6 in", "pitch": "1 1/2 ft"}}, "inch"),
        ({"carrier": {"length": "6 in", "pitch": "10 in", "slip": "0.1 mm"}}, "inch"),
        ({"carrier": {"length": "6 in", "pitch": "254 mm"}}, "metric"),  # as many of each
        ({"carrier": {"length": "152.4 mm"}, "line": {"speed": "150 ft/min"}}, "metric"),
        ({"title": "4 in", "feeder": [{"name": "6 in", "insert": {"length": "9 cm"}}]}, "metric"),
        ({"feeder": [{"insert": {"length": "3500 thou"}}]}, "inch"),
        ({"controller": {"scan": "1 ms"}, "seed": 3}, "metric"),
    ],
)
def test_the_lengths_as_they_are_written_decide(data, units):
    assert units_of(data) == units


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.toml")), ids=lambda path: path.stem)
def test_of_the_scenarios_only_that_in_inches_is_told_in_inches(path):
    assert feedsim.load(path).units == ("inch" if path.stem == "imperial" else "metric")


def test_an_answer_takes_the_units_of_its_line_unless_asked_otherwise():
    line = feedsim.load(SCENARIOS / "imperial.toml", {"carrier.slip": "0.1 mm"})
    changed = line.but({"feeder.0.insert.gap": "60 mm"})
    assert "150 ft/min" in feedsim.check(changed).text()
    assert "45.72 m/min" in feedsim.check(line).text(units="metric")
    assert "45.72 m/min" in str(feedsim.check(replace(line, units="metric")))
