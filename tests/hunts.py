"""What simulation says of a scenario against what ``"auto"`` says of it."""

from __future__ import annotations

import numpy as np

from feedsim.metrics.rows import placed_rows
from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, override
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import mean_error

__all__ = ["hunted_auto"]

RUNS = 4
_SIZE_MM = 0.02
_PLAIN = 3e-3
BATCHES, _FEWEST = 40, 200


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
