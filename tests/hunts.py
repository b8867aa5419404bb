"""What simulation says of a scenario against what limit, ``check`` and ``"auto"`` say of it."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import (
    closed_limits,
    lowest_together,
    worst_of_line,
)
from feedsim.answers.limit.study.search import run_batch
from feedsim.metrics.rows import placed_rows
from feedsim.metrics.tally import Tally, shares_of
from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, override, scenario_to_dict
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import mean_error

__all__ = ["Hunt", "hunted_auto", "hunted_check", "hunted_limit"]

RUNS = 4
PLACES = (0.999, 0.93, 0.8, 0.55)
"""Where the limit is looked at, as shares of it: each time at the worst near there."""

_NEAR = 0.02
_SIZE_MM = 0.02
_FIGURES = 3
_PLAIN = 3e-3
BATCHES, _FEWEST = 40, 200


class Hunt(Protocol):
    """Says what is wrong; empty: nothing; None: the scenario is none of what is looked for."""

    __name__: str

    def __call__(self, scenario: Scenario, *, scenarios: int) -> str | None: ...


def refused_for_sure(scenario: Scenario, speed_mm_s: float, *, looks: int) -> str:
    """Name the figures that simulation refuses at a speed; ``looks``: speeds of the whole hunt."""
    plain = scenario_to_dict(scenario)
    runs = [run_batch(plain, speed_mm_s, number) for number in range(RUNS)]
    confidence = 1.0 - 0.05 / (looks * _FIGURES * len(scenario.feeder))
    found = []
    for number in range(len(scenario.feeder)):
        tallies: list[Tally] = [run[number] for run in runs]
        shares = shares_of(tallies, criteria_of(scenario), confidence=confidence)
        found += [
            f"{name} {test.share:.4f} ({test.limit:.4f}) at feeder {number}"
            for name, test in shares.items()
            if test.share is not None and test.failed() and test.decided()
        ]
    return ", ".join(found)


def hunted_check(scenario: Scenario, *, scenarios: int = 1) -> str | None:
    """Say what the line's own speed is refused for while ``check`` warns of nothing there."""
    if scenario.fault or scenario.adjust or scenario.line.profile:
        return None  # what is planned is no fault of the settings
    warned = [warning for feeder in review(scenario).feeders for warning in feeder.warnings]
    if warned:
        return ""
    return refused_for_sure(scenario, scenario.line.speed, looks=scenarios)


def hunted_auto(scenario: Scenario, *, scenarios: int = 1) -> str | None:
    """Say by how much the mean of ``"auto"`` differs from what is said to be left of it.

    Beyond 0.02 mm, what is said not to be in it, and what chance does: four standard errors, of
    batches of carriers. All settings are made automatic, and the speed steady. None: hardly any
    carrier is laid.
    """
    machine = machine_of(automatic(scenario))
    ran = run_scenario(automatic(scenario), replications=RUNS)
    found = []
    looked = False
    for number, feeder in enumerate(machine.feeders):
        record = ran.records.feeders[number]
        errors = record.placement_error_mm[placed_rows(record, ran.records.warm_up)]
        if len(errors) < _FEWEST:
            continue
        looked = True
        said = mean_error(FeederAtSpeed(machine, feeder), criteria_of(scenario))
        batches = [float(part.mean()) for part in np.array_split(errors, BATCHES)]
        noise = 4.0 * float(np.std(batches, ddof=1)) / np.sqrt(BATCHES)
        off = abs(float(errors.mean()) - said.mean_mm)
        if off > _SIZE_MM + max(noise, _PLAIN) + said.most_mm:
            found.append(
                f"{errors.mean():+.3f} mm at feeder {number}, said {said.mean_mm:+.3f}, at most "
                f"{said.most_mm:.3f} besides, noise {noise:.3f}"
            )
    return "; ".join(found) if looked else None


def automatic(scenario: Scenario) -> Scenario:
    """Return the line at a steady speed with all four settings of each feeder automatic."""
    names = ("engage_distance", "engage_lead", "disengage_distance", "disengage_lead")
    feeders = range(len(scenario.feeder))
    settings = [f"feeder.{n}.settings.{name}=auto" for n in feeders for name in names]
    return override(scenario, ["line.profile=[]", *settings])


def hunted_limit(scenario: Scenario, *, scenarios: int = 1) -> str | None:
    """Say which speed below the closed-form limit simulation refuses."""
    if scenario.line.profile:
        return None
    limits: Any = closed_limits(scenario, lowest=True)
    limit = lowest_together(limits)
    if not limit:
        return None
    worst, looks = worst_of_line(scenario), scenarios * len(PLACES)
    for place in PLACES:
        high = place * limit
        speed = worst(high * (1.0 - _NEAR), high)
        if said := refused_for_sure(scenario, speed, looks=looks):
            return f"limit {limit:.1f} mm/s, at {speed:.1f} mm/s ({speed / limit:.3f}) {said}"
    return ""
