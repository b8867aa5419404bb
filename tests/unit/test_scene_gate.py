"""The scene of a line with a divert gate: what the page is told of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.rehearse.page.page import SCRIPTS, rehearse_page
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.scene import scene
from feedsim.metrics.gate_rows import gate_rows
from feedsim.metrics.product_rows import ProductClass, product_rows
from feedsim.running.run import criteria_of, run_scenario
from feedsim.scenario import load_scenario
from tests.unit.unpacking import unpacked

SCENARIOS = Path(feedsim.__file__).parents[1] / "scenarios"
MISFED = "feeder.1.insert.misfeed=12 %"


@pytest.mark.parametrize("recipe", [None, 'product.needs=["card feeder"]'])
def test_the_page_is_told_what_the_gate_does_with_each_carrier(recipe):
    """The whole run against the stretch: carriers 100 to 110 and those around them."""
    changes = ("run.carriers=160", MISFED, *([recipe] if recipe else []))
    scenario = load_scenario(SCENARIOS / "two_feeders.toml", overrides=changes)
    shown = scene(scenario, ShownCarriers(range(100, 111), None, ""), name="")
    gate, first = shown.gate, shown.carriers.first
    assert shown.needs == ((0,) if recipe else (0, 1))
    assert (gate.at_mm, gate.decide_before_mm) == (1500.0, 60.0)
    assert shown.right_mm >= 1500.0 + 297.0
    ran = run_scenario(scenario)
    records, line = replace(ran.records, warm_up=0), ran.machine
    products = product_rows(records, line, criteria=criteria_of(scenario))
    rows = gate_rows(records, line.divert, needs=shown.needs, good=products.good)
    here = slice(first, first + len(gate.diverted))
    assert gate.diverted.tolist() == rows.diverted[here].tolist()
    np.testing.assert_array_equal(gate.known_s, rows.known_time_s[here])
    words = [gate.words[k] for k in gate.known]
    assert set(words) == ({"nothing"} if recipe else {"nothing", "missed"})
    page = shown.plain()["gate"]
    for name in ("diverted", "known", "known_s"):
        np.testing.assert_array_equal(unpacked(page[name]), getattr(gate, name))
    complete = products.classes[:first] == ProductClass.COMPLETE
    assert shown.complete_before == int(complete.sum())
    assert (shown.complete_before < first) is (recipe is None)


def test_a_line_without_a_gate_has_none():
    scenario = load_scenario(SCENARIOS / "membership_card.toml", overrides=("run.carriers=30",))
    shown = scene(scenario, ShownCarriers(range(22, 24), None, ""), name="")
    assert (shown.gate, shown.needs) == (None, (0,))


def test_the_page_says_how_a_diverted_carrier_is_drawn():
    pages = []
    for name in ("two_feeders", "membership_card"):
        scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=("run.carriers=30",))
        pages.append(
            rehearse_page([scene(scenario, ShownCarriers(range(22, 24), None, ""), name="")])
        )
    assert ["taken off is drawn empty and dotted" in page for page in pages] == [True, False]


def test_the_page_reads_what_draws_the_gate():
    assert "gate" in SCRIPTS
