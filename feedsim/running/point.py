"""A point of a sweep, run by any process; a new one need not read scenarios for it."""

from __future__ import annotations

from dataclasses import dataclass, field

from feedsim.metrics.error_counts import ErrorCounts, error_counts
from feedsim.metrics.plain import AMONG, IF_ANY
from feedsim.metrics.results import Results
from feedsim.running.line_run import LineRun


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a sweep.

    ``varied``: the value of each key that is not the line speed.
    ``placement_errors``: of each feeder, if there is only one axis.
    """

    results: Results = field(metadata=AMONG)
    varied: dict[str, str] = field(default_factory=dict, metadata=IF_ANY)
    placement_errors: tuple[ErrorCounts, ...] = field(default=(), metadata=IF_ANY)


def point_of(line: LineRun, replications: int, *, varied: dict[str, str], counted: bool) -> Point:
    """Run a line and return the point; ``counted``: with its placement errors."""
    records, results = line.run(range(replications))
    counts = error_counts(records, criteria=line.criteria) if counted else ()
    return Point(results, varied, counts)
