"""A traced run of a scenario, as far as the stories of its carriers need it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from feedsim.answers.explain.study.hazards import at_risk
from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.arrays import Bools
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import FeedsimError
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario
from feedsim.simulation.line import simulate_traced

BEYOND = 64
"""Carriers run beyond the explained one: they may still change its records."""
_FIRST_RUN, _LONGER = 1024, 4

Pick = Callable[[StorySource, int | None], int | None]
"""Chooses a carrier of a run, at one feeder or (None) at any."""


def traced(scenario: Scenario, *, carriers: int | None = None) -> StorySource:
    """Run a scenario once with every event kept, for the stories of its carriers.

    ``carriers``: how many come, the warm-up included, if fewer than in the scenario. A shorter run
    differs from the whole only in inserts that would land in a later cycle.
    """
    machine, run = machine_of(scenario), scenario.run
    total = run.warm_up + run.carriers
    count = total if carriers is None else min(carriers, total)
    records, trace = simulate_traced(machine, RunDraws(machine, scenario.seed), carriers=count)
    return source_of(scenario, replace(records, warm_up=min(run.warm_up, count)), trace)


def source_of(scenario: Scenario, records: RunRecords, trace: Trace) -> StorySource:
    """Return the source of stories of a run and its whole trace.

    ``records``, ``trace``: of the same run (else ValueError), as :func:`feedsim.running.run.trace`
    gives them without ``around``.
    """
    machine = machine_of(scenario)
    return StorySource(
        machine,
        RunDraws(machine, scenario.seed),
        records=records,
        trace=trace,
        criteria=criteria_of(scenario),
        names=[feeder.name for feeder in scenario.feeder],
    )


def source_for(scenario: Scenario, carrier: int) -> StorySource:
    """Run a scenario as far as the story of a carrier needs it; FeedsimError if it has no such one.

    ``carrier``: its number from 0, the warm-up included, as in ``carriers.csv``.
    """
    total = scenario.run.warm_up + scenario.run.carriers
    if not 0 <= carrier < total:
        raise FeedsimError(f"the run has no carrier {carrier}: they are 0 to {total - 1}")
    source = traced(scenario, carriers=carrier + 1 + BEYOND)
    if len(source.carriers) < total and landing_to_come(source, carrier):
        source = traced(scenario)
    return source


def find_first(
    scenario: Scenario, pick: Pick, *, feeder: int | None = None
) -> tuple[StorySource, int | None]:
    """Run a scenario until a chosen carrier is found at a feeder, or (None) at any.

    Returns the run, and the carrier; None where the whole run has none.
    """
    total = scenario.run.warm_up + scenario.run.carriers
    count = min(_FIRST_RUN, total)
    while True:
        source = traced(scenario, carriers=count)
        carrier = pick(source, feeder)
        early = carrier is not None and carrier < count - BEYOND
        if count == total or (early and not landing_to_come(source, carrier)):
            return source, carrier
        count = min(_LONGER * count, total)


def landing_to_come(source: StorySource, carrier: int | None) -> bool:
    """Return whether an insert is still on its way to a carrier as a shortened run ends."""
    return carrier is not None and any(
        feeder.rows.insert[carrier] >= 0 and math.isnan(feeder.rows.placement_time_s[carrier])
        for feeder in source.feeders
    )


def first_miss(source: StorySource, feeder: int | None = None) -> int | None:
    """Return the first counted carrier that was missed (at one feeder, or at any)."""
    return _first(source, feeder, lambda which: which.rows.outcome != Outcome.PLACED)


def first_hazard(source: StorySource, feeder: int | None = None) -> int | None:
    """Return the first counted carrier whose feed cycle had a hazard (at one feeder, or at any)."""
    return _first(source, feeder, at_risk)


def _first(
    source: StorySource, feeder: int | None, has: Callable[[FeederSource], Bools]
) -> int | None:
    chosen = source.feeders if feeder is None else [source.feeders[feeder]]
    warm_up = source.records.warm_up
    found = np.flatnonzero(np.any([has(which) for which in chosen], axis=0)[warm_up:])
    return int(found[0]) + warm_up if len(found) else None
