"""A traced run of a scenario, for the stories of its carriers."""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.answers.explain.study.source import StorySource
from feedsim.draws.cards import CardDraws
from feedsim.records.columns import RunRecords
from feedsim.records.trace import Trace
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario
from feedsim.simulation.line import simulate_traced

__all__ = ["BEYOND", "landing_to_come", "source_of", "traced"]

BEYOND = 64
"""So many carriers more than the one that is told of are run, for what the last of them changes."""


def traced(scenario: Scenario, *, carriers: int | None = None, replication: int = 0) -> StorySource:
    """Run a scenario once with every event kept, for the stories of its carriers.

    Parameters
    ----------
    scenario : Scenario
    carriers : int, optional
        How many come, the warm-up included, if fewer than in the scenario. A shorter run
        differs from the whole in nothing but inserts that would land in a later cycle.
    replication : int, optional
        Which set of cards.
    """
    machine, run = machine_of(scenario), scenario.run
    total = run.warm_up + run.carriers
    count = total if carriers is None else min(carriers, total)
    draws = CardDraws(machine, scenario.seed, replication=replication)
    records, trace = simulate_traced(machine, draws, carriers=count)
    records = replace(records, warm_up=min(run.warm_up, count))
    return source_of(scenario, records, trace, replication=replication)


def source_of(
    scenario: Scenario, records: RunRecords, trace: Trace, *, replication: int = 0
) -> StorySource:
    """Make stories possible of a run and its whole trace that are already there.

    Parameters
    ----------
    scenario : Scenario
        That was run.
    records, trace
        Of one and the same run, as :func:`feedsim.running.run.trace` gives them without
        ``around``.
    replication : int, optional
        Which set of cards it was run with.

    Raises
    ------
    ValueError
        If they do not belong together.
    """
    machine = machine_of(scenario)
    return StorySource(
        machine,
        CardDraws(machine, scenario.seed, replication=replication),
        records=records,
        trace=trace,
        criteria=criteria_of(scenario),
        names=[feeder.name for feeder in scenario.feeder],
    )


def landing_to_come(source: StorySource, carrier: int) -> bool:
    """Tell whether an insert is still on its way to a carrier as a shortened run ends."""
    return any(
        feeder.rows.insert[carrier] >= 0 and math.isnan(feeder.rows.placement_time_s[carrier])
        for feeder in source.feeders
    )
