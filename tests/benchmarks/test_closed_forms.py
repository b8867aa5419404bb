"""Each closed-form question over random scenarios: the slowest, and how they spread.

Run with ``pytest -m benchmark -s tests/benchmarks/test_closed_forms.py``. Times are processor time
on this machine, reported and never failed on; ``SCENARIOS`` from the environment says how many.
Set ``OPENBLAS_NUM_THREADS=1`` before it, as the commands do: threads that wait for each other count
as processor time.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import pytest

from feedsim.answers.budget.study.budget import budgets_at
from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import in_closed_form, limits_of
from feedsim.answers.line import load
from feedsim.answers.setup.study.sheet import set_up_sheet
from feedsim.desk.forms import forms
from feedsim.draws.line_draws import RunDraws
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario, load_scenario, override
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import mean_error
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.waits import waits_of
from feedsim.simulation.line import simulate
from tests.random_scenarios import random_scenario

pytestmark = pytest.mark.benchmark

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
SCENARIOS = int(os.environ.get("SCENARIOS", "300"))


def shares_at_a_speed(scenario: Scenario) -> None:
    machine, allowed = machine_of(scenario), criteria_of(scenario)
    at = FeederAtSpeed(machine, machine.feeders[0], scenario.line.speed)
    for mechanism in MECHANISMS:
        mechanism.share(at, allowed)


def mean_at_a_speed(scenario: Scenario) -> None:
    machine, allowed = machine_of(scenario), criteria_of(scenario)
    for feeder in machine.feeders:
        mean_error(FeederAtSpeed(machine, feeder, scenario.line.speed), allowed)


QUESTIONS: dict[str, Callable[[Scenario], object]] = {
    "all shares at one speed": shares_at_a_speed,
    "the mean of all inserts": mean_at_a_speed,
    "check": lambda scenario: review(scenario, units="metric"),
    "budget at a speed": lambda scenario: budgets_at(scenario, scenario.line.speed, units="metric"),
    "limits of all mechanisms": lambda s: [limits_of(s, n) for n in range(len(s.feeder))],
    "setup": set_up_sheet,
}


@pytest.mark.parametrize("question", QUESTIONS)
def test_how_long_it_takes_at_most(question: str) -> None:
    took: list[tuple[float, int]] = []
    for seed in range(SCENARIOS):
        scenario = random_scenario(seed)
        start = time.process_time()
        QUESTIONS[question](scenario)
        took.append((time.process_time() - start, seed))
    took.sort()
    middle, slowest = took[len(took) // 2][0], took[-3:][::-1]
    words = ", ".join(f"{1e3 * s:,.0f} ms (seed {seed})" for s, seed in slowest)
    print(f"\n    {question}: half below {1e3 * middle:,.1f} ms; the slowest {words}")  # noqa: T201


def test_closed_forms_in_simulated_carriers() -> None:
    # in one run, so that the machine's speed falls out: what a carrier of the event engine takes
    scenario, carriers = load_scenario(CARD), 2000
    machine = machine_of(scenario)
    asked: dict[str, Callable[[], object]] = {
        "what limit asks": lambda: in_closed_form(scenario),
        "all shares at one speed": lambda: shares_at_a_speed(scenario),
        "all that a desk shows": lambda: forms(load(CARD), "metric"),
    }
    found: dict[str, list[float]] = {name: [] for name in asked}
    for _ in range(5):
        start = time.process_time()
        simulate(machine, RunDraws(machine, 1), carriers=carriers)
        a_carrier = (time.process_time() - start) / carriers
        for name, question in asked.items():
            waits_of.cache_clear()
            start = time.process_time()
            question()
            found[name].append((time.process_time() - start) / a_carrier)
    words = ", ".join(f"{name} {median(times):,.0f}" for name, times in found.items())
    print(f"\n    the card, in carriers of the event engine: {words}")  # noqa: T201


ODD = {
    "a scan of 2 ms beside 0.888 ms": (
        "carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned", "controller.scan=2 ms",
        "controller.motion_cycle=0.888 ms",
    ),
    "a gap between inserts that is hardly known": ("feeder.0.insert.gap_sd=15 mm",),
    "an edge seen to a decimetre": ("carrier_eye.edge_sd=100 mm",),
    "a motion cycle of a second": ("controller.motion_cycle=1 s",),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_odd_values_of_the_example(name: str) -> None:
    scenario = override(random_scenario(0, wide=False), ODD[name])
    start = time.process_time()
    set_up_sheet(scenario)
    print(f"\n    setup with {name}: {time.process_time() - start:.2f} s")  # noqa: T201
