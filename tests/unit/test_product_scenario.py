"""A recipe in a scenario: read, written, and what criteria it becomes."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import feedsim
from feedsim.criteria import AllowedOverlap, Recipe
from feedsim.running.run import criteria_of
from feedsim.scenario import scenario_from_dict, scenario_from_text, scenario_to_dict

_FILE = Path(feedsim.__file__).parents[1] / "scenarios" / "two_feeders.toml"
_WHOLE = _FILE.read_text("utf-8")
TWO = _WHOLE[: _WHOLE.index("\n[product]")] + _WHOLE[_WHOLE.index("\n[acceptance]") :]
PAIR = 'product.pair=[{below="card feeder", above="leaflet feeder", max_overlap="-5 mm"}]'


@pytest.mark.parametrize(("overrides", "recipe"), [
    ((), Recipe()),
    (('product.needs="all"',), Recipe()),
    (('product.needs=["leaflet feeder"]',), Recipe(needs=(1,))),
    (('product.needs=["leaflet feeder", "card feeder"]',), Recipe(needs=(0, 1))),
    (("product.may_overlap=false",), Recipe(may_overlap=False)),
    ((PAIR,), Recipe(pairs=(AllowedOverlap(0, 1, -math.inf, -5.0),))),
])  # fmt: skip
def test_what_a_recipe_becomes(overrides, recipe):
    scenario = scenario_from_text(TWO, overrides=overrides)
    assert criteria_of(scenario).recipe == recipe
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario


def test_the_recipe_of_the_example():
    recipe = criteria_of(scenario_from_text(_WHOLE)).recipe
    assert recipe == Recipe(pairs=(AllowedOverlap(0, 1, -math.inf, -42.5),))


def test_a_line_without_a_recipe_writes_none():
    assert "product" not in scenario_to_dict(scenario_from_text(TWO))
