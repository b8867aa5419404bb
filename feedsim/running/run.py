"""Run a scenario: its records and figures."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from feedsim.criteria import AllowedOverlap, Criteria, Recipe
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import Machine
from feedsim.metrics.plain import AMONG
from feedsim.metrics.results import Results
from feedsim.records.columns import RunRecords
from feedsim.records.trace import Trace
from feedsim.running.line_run import LineRun, Progress
from feedsim.scenario import AS_WRITTEN, Scenario, machine_from
from feedsim.settings.solve import solve


@dataclass(frozen=True, slots=True)
class RunFigures:
    """The figures of a run, and the scenario to run it again."""

    results: Results = field(metadata=AMONG)
    scenario: Scenario = field(metadata=AS_WRITTEN)


@dataclass(frozen=True, slots=True)
class ScenarioRun:
    """A run: its scenario, machine, records and results.

    Attributes
    ----------
    machine : Machine
        With every ``"auto"`` solved.
    """

    scenario: Scenario
    machine: Machine
    records: RunRecords
    results: Results

    def figures(self) -> RunFigures:
        """Return what ``results.json`` holds."""
        return RunFigures(self.results, self.scenario)


def machine_of(scenario: Scenario) -> Machine:
    """Return the machine that a scenario describes, its settings solved.

    Raises
    ------
    FeedsimError
        If an automatic acceleration needs a motor that cannot even overcome the friction.
    """
    machine = solve(machine_from(scenario))
    for number, (keys, feeder) in enumerate(zip(scenario.feeder, machine.feeders, strict=True)):
        if feeder.servo.max_acceleration_mm_s2 <= 0.0 and keys.drive is not None:
            allowed = (
                f"a stronger motor than {keys.drive.chosen}: friction and pull-off take all of its "
                "peak torque"
            )
            raise FeedsimError(Fault(f"feeder.{number}.servo.max_acceleration", '"auto"', allowed))
    return machine


def criteria_of(scenario: Scenario) -> Criteria:
    """Return the limits and acceptance figures of a scenario."""
    accept, limits = scenario.acceptance, scenario.limits
    return Criteria(
        placement_tolerance_mm=accept.placement_tolerance,
        within_tolerance=accept.within_tolerance,
        missed=accept.missed,
        jam_risk=accept.jam_risk,
        speed_mismatch=limits.speed_mismatch,
        overhang_mm=limits.overhang,
        recipe=_recipe(scenario),
    )


def _recipe(scenario: Scenario) -> Recipe:
    product = scenario.product
    if product is None:
        return Recipe()
    number = {feeder.name: place for place, feeder in enumerate(scenario.feeder)}
    needs = () if isinstance(product.needs, str) else product.needs
    return Recipe(
        needs=tuple(sorted(number[name] for name in needs)),
        may_overlap=product.may_overlap,
        pairs=tuple(
            AllowedOverlap(
                number[pair.below],
                number[pair.above],
                min_overlap_mm=-math.inf if pair.min_overlap is None else pair.min_overlap,
                max_overlap_mm=math.inf if pair.max_overlap is None else pair.max_overlap,
            )
            for pair in product.pair
        ),
    )


def run_scenario(
    scenario: Scenario, *, replications: int = 1, first: int = 0, progress: Progress | None = None
) -> ScenarioRun:
    """Run a scenario.

    Parameters
    ----------
    replications : int, optional
        Number of runs, each with random numbers of its own; all enter the figures.
    first : int, optional
        Number of the first replication, from 0.
    progress : callable, optional
        Called now and then with the number of carriers, warm-up included, past their eye.
    """
    line = line_run(scenario)
    records, results = line.run(range(first, first + replications), progress=progress)
    return ScenarioRun(scenario, line.machine, records, results)


def line_run(scenario: Scenario, machine: Machine | None = None) -> LineRun:
    """Return what a run of a scenario takes; `machine` is :func:`machine_of` it, if known."""
    return LineRun(
        machine=machine or machine_of(scenario),
        criteria=criteria_of(scenario),
        names=tuple(feeder.name for feeder in scenario.feeder),
        title=scenario.title,
        seed=scenario.seed,
        carriers=scenario.run.carriers,
        warm_up=scenario.run.warm_up,
    )


def run_once(scenario: Scenario, machine: Machine, *, replication: int) -> RunRecords:
    """Return the records of one replication; `machine` is :func:`machine_of` the scenario."""
    return line_run(scenario, machine).records(replication)


def trace(scenario: Scenario, *, around: range | None = None) -> tuple[RunRecords, Trace]:
    """Run a scenario again and keep every event, or those around some carriers.

    Parameters
    ----------
    around : range, optional
        Numbers of carriers, the warm-up included. The run then ends with the last of them, as later
        carriers cannot change earlier ones.
    """
    from feedsim.simulation.line import simulate_traced

    machine = machine_of(scenario)
    run = scenario.run
    carriers = run.warm_up + run.carriers
    if around is not None:
        carriers = min(carriers, around.stop)
    draws = RunDraws(machine, scenario.seed)
    records, kept = simulate_traced(machine, draws, carriers=carriers, around=around)
    return replace(records, warm_up=min(run.warm_up, carriers)), kept
