"""All setups of a comparison run at its line speeds, with common random numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from feedsim.answers.compare.study.results import Difference, SetupResults, Together
from feedsim.answers.compare.study.setups import LETTERS, Comparison
from feedsim.answers.limit.study.closed import closed_between
from feedsim.metrics.paired_feeders import Ran, feeder_difference
from feedsim.running.axes import LINE_SPEED, changed
from feedsim.running.executor import Where, completed
from feedsim.running.run import ScenarioRun, criteria_of, run_scenario
from feedsim.scenario import scenario_from_dict, scenario_to_dict
from feedsim.settings.limits import Closed


def run_compare(
    comparison: Comparison,
    *,
    where: Where,
    on_point: Callable[[int], None],
    on_lost: Callable[[str], None],
) -> list[Together]:
    """Run a comparison, and return its points by speed.

    Parameters
    ----------
    where : Local or Cluster
        Where the speeds run, which has no influence on the results.
    on_point : callable
        Told how many speeds are done.
    on_lost : callable
        Told in words when a worker process has died.
    """
    plains = [scenario_to_dict(setup.scenario) for setup in comparison.setups]
    calls = [(plains, speed, comparison.replications) for speed in comparison.axis.values]
    points: dict[int, Together] = {}
    for place, point in completed(run_at_speed, calls, where=where, on_lost=on_lost):
        points[place] = point
        on_point(len(points))
    return [points[place] for place in range(len(calls))]


def run_at_speed(scenarios: Sequence[dict[str, Any]], speed: str, replications: int) -> Together:
    """Run all setups at one speed, in whatever process.

    Parameters
    ----------
    scenarios : sequence of dict
        As :func:`feedsim.scenario.scenario_to_dict` gives them, the first one first.
    speed : str
        Such as ``"60 m/min"``.
    """
    first, *others = (
        changed(scenario_from_dict(data), [(LINE_SPEED, speed)]) for data in scenarios
    )
    against = run_scenario(first, replications=replications)
    results = [SetupResults(LETTERS[0], against.results)]
    differences = []
    for letter, scenario in zip(LETTERS[1:], others, strict=False):
        other = run_scenario(scenario, replications=replications)
        results.append(SetupResults(letter, other.results))
        differences.append(difference(letter, against, other))
    return Together(against.results.line_speed_mm_s, tuple(results), tuple(differences))


def difference(letter: str, first: ScenarioRun, other: ScenarioRun) -> Difference:
    """Return how a setup that has run differs from the first one, which ran the same cards."""
    before, after = (r.results.complete.per_hour for r in (first, other))
    ran = [Ran(r.records, r.machine, criteria_of(r.scenario)) for r in (first, other)]
    pairs = zip(first.scenario.feeder, other.scenario.feeder, strict=True)
    return Difference(
        setup=letter,
        against=LETTERS[0],
        complete_per_hour=None if before is None or after is None else after - before,
        feeders=tuple(
            feeder_difference(*ran, number=number, names=(a.name, b.name))
            for number, (a, b) in enumerate(pairs)
        ),
    )


def forms_of(
    comparison: Comparison,
    *,
    where: Where,
    on_done: Callable[[int], None],
    on_lost: Callable[[str], None],
) -> tuple[tuple[Closed, ...], ...]:
    """Return what the closed forms refuse of each feeder of each setup, between all speeds."""
    speeds = comparison.axis.numbers
    calls = [(scenario_to_dict(s.scenario), min(speeds), max(speeds)) for s in comparison.setups]
    found = {}
    for place, forms in completed(_refused, calls, where=where, on_lost=on_lost):
        found[place] = forms
        on_done(len(found))
    return tuple(found[place] for place in range(len(calls)))


def _refused(scenario: dict[str, Any], low: float, high: float) -> tuple[Closed, ...]:
    if low == high:
        return ()
    return tuple(closed_between(scenario_from_dict(scenario), low, high))
