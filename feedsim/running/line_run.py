"""Runs of a line in any process; a new one need not load what reads scenarios for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from feedsim.criteria import Criteria
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Machine
from feedsim.metrics.results import Results, summarise
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.running.engines import simulated

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class LineRun:
    """A line to run, and what its results need besides.

    ``machine``: with every ``"auto"`` solved. ``names``: of its feeders. ``carriers``: those that
    count; ``warm_up``: those before them.
    """

    machine: Machine
    criteria: Criteria
    names: tuple[str, ...]
    title: str
    seed: int
    carriers: int
    warm_up: int

    def records(
        self, replication: int, *, runs: int = 1, progress: Progress | None = None
    ) -> RunRecords:
        """Return the records of one replication; ``runs``: how many will be held at a time."""
        records = simulated(
            self.machine,
            RunDraws(self.machine, self.seed, replication=replication),
            carriers=self.warm_up + self.carriers,
            runs=runs,
            progress=progress,
        )
        return replace(records, warm_up=self.warm_up)

    def run(
        self, replications: range, *, progress: Progress | None = None
    ) -> tuple[RunRecords, Results]:
        """Return the records of these replications together, and their results."""
        runs = [self.records(n, runs=len(replications), progress=progress) for n in replications]
        records = joined(runs)
        results = summarise(
            records,
            self.machine,
            criteria=self.criteria,
            names=self.names,
            title=self.title,
            seed=self.seed,
        )
        return records, results
