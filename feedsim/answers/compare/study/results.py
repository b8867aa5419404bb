"""What a comparison found, by speed and by setup."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from feedsim import __version__
from feedsim.answers.compare.study.setups import LETTERS, Comparison
from feedsim.answers.limit.study.closed import (
    RefusedSpeeds,
    closed_between,
    complete_to,
    refused_speeds,
)
from feedsim.answers.limit.study.islands import Island, islands_of
from feedsim.answers.sweep.study import highest_accepted
from feedsim.metrics.paired_feeders import FeederDifference, Ran, feeder_difference
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.running.axes import LINE_SPEED, changed
from feedsim.running.executor import Where, completed
from feedsim.running.run import ScenarioRun, criteria_of, run_scenario
from feedsim.scenario import AS_WRITTEN, Scenario, scenario_from_dict, scenario_to_dict
from feedsim.settings.limits import Closed


@dataclass(frozen=True, slots=True)
class SetupResults:
    """The figures of one setup at one speed, under its letter."""

    setup: str
    results: Results = field(metadata=AMONG)


@dataclass(frozen=True, slots=True)
class Difference:
    """How one setup differs from the first at one speed, under the letters of both.

    ``complete_per_hour``: complete products an hour, other less first; None where one has none.
    """

    setup: str
    against: str
    complete_per_hour: float | None
    feeders: tuple[FeederDifference, ...]


@dataclass(frozen=True, slots=True)
class SetupsTogether:
    """All setups at one speed: the figures of each, and the differences of the others."""

    line_speed_mm_s: float
    results: tuple[SetupResults, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class LetteredSetup:
    """A setup of a comparison under its letter; see :class:`ComparedSetup`."""

    setup: str
    name: str
    changes: str
    scenario: Scenario = field(metadata=AS_WRITTEN)


@dataclass(frozen=True, slots=True, repr=False)
class Comparisons:
    """Setups compared with the first.

    ``notes``: notes on setups that differ in what a comparison shares.
    ``highest_accepted_speed_mm_s``: by the letter: the speed up to which every point is accepted;
    None if the first is not.
    ``islands``: by the letter: speeds accepted above one that is not.
    ``closed_form_refused``: by the letter: what the closed forms refuse between the speeds, rising.
    ``closed_form_complete_to_mm_s``: by the letter: up to which speed the search for refused
    stretches examined every jump near a refused speed; above, some may be missing. None: all the
    way.
    ``points``: by speed.
    """

    feedsim: str
    title: str
    replications: int
    notes: tuple[str, ...]
    setups: tuple[LetteredSetup, ...]
    highest_accepted_speed_mm_s: dict[str, float | None]
    islands: dict[str, tuple[Island, ...]]
    closed_form_refused: dict[str, tuple[RefusedSpeeds, ...]]
    closed_form_complete_to_mm_s: dict[str, float | None]
    points: tuple[SetupsTogether, ...]
    units: System = field(default="metric", metadata=LEFT_OUT)

    @classmethod
    def of(
        cls,
        comparison: Comparison,
        points: Sequence[SetupsTogether],
        forms: Sequence[Sequence[Closed]],
    ) -> Self:
        """Gather what a comparison found, and the closed forms of each feeder of each setup."""
        setups = tuple(
            LetteredSetup(letter, setup.name, setup.changes, setup.scenario)
            for letter, setup in zip(LETTERS, comparison.setups, strict=False)
        )
        rows = {
            setup.setup: [point.results[place].results for point in points]
            for place, setup in enumerate(setups)
        }
        refused = dict(zip(rows, forms, strict=True))
        return cls(
            feedsim=__version__,
            title=comparison.setups[0].scenario.title,
            replications=comparison.replications,
            notes=comparison.notes,
            setups=setups,
            highest_accepted_speed_mm_s={x: highest_accepted(row) for x, row in rows.items()},
            islands={x: islands_of(row) for x, row in rows.items()},
            closed_form_refused={x: refused_speeds(found) for x, found in refused.items()},
            closed_form_complete_to_mm_s={x: complete_to(f) for x, f in refused.items()},
            points=tuple(points),
            units=comparison.units,
        )


def run_compare(
    comparison: Comparison,
    *,
    where: Where,
    on_point: Callable[[int], None],
    on_lost: Callable[[str], None],
) -> list[SetupsTogether]:
    """Run a comparison, and return its points by speed; they do not depend on ``where``.

    ``on_point`` is called with the number of speeds done, ``on_lost`` with a message when a worker
    process has died.
    """
    plains = [scenario_to_dict(setup.scenario) for setup in comparison.setups]
    calls = [(plains, speed, comparison.replications) for speed in comparison.axis.values]
    points: dict[int, SetupsTogether] = {}
    for place, point in completed(_run_at_speed, calls, where=where, on_lost=on_lost):
        points[place] = point
        on_point(len(points))
    return [points[place] for place in range(len(calls))]


def _run_at_speed(
    scenarios: Sequence[dict[str, Any]], speed: str, replications: int
) -> SetupsTogether:
    """Run all setups (as plain data, the first one first) at one speed, in text, in a worker."""
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
    return SetupsTogether(against.results.line_speed_mm_s, tuple(results), tuple(differences))


def difference(letter: str, first: ScenarioRun, other: ScenarioRun) -> Difference:
    """Return how a setup differs from the first, both run with the same random numbers."""
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
