"""One scenario at many line speeds, on the same cards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim import __version__
from feedsim.metrics.plain import Plain
from feedsim.scenario import Scenario, at_line_speed, scenario_from_dict, scenario_to_dict
from feedsim.studies.executor import completed
from feedsim.studies.run import rehearse

__all__ = ["Point", "Sweep", "run_point", "run_sweep"]

PlainResults = Mapping[str, Plain]


@dataclass(frozen=True, slots=True)
class Point:
    """One run of a sweep: a line speed (mm/s), and which set of cards."""

    speed_mm_s: float
    replication: int


@dataclass(frozen=True, slots=True)
class Sweep:
    """What a sweep runs.

    Attributes
    ----------
    scenario : Scenario
    speeds_mm_s : tuple of float
        Rising.
    replications : int
        Runs at each speed, each with cards of its own; the same ones at every speed.
    """

    scenario: Scenario
    speeds_mm_s: tuple[float, ...]
    replications: int

    @property
    def points(self) -> tuple[Point, ...]:
        """All points, by speed and then replication."""
        return tuple(
            Point(speed, replication)
            for speed in self.speeds_mm_s
            for replication in range(self.replications)
        )

    @property
    def fingerprint(self) -> str:
        """A hash of all that the results depend on, feedsim's version included."""
        what = [__version__, scenario_to_dict(self.scenario), self.speeds_mm_s, self.replications]
        return hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()

    def to_plain(self, points: Sequence[PlainResults]) -> dict[str, Plain]:
        """Return what ``sweep.json`` holds, from the results of all points in order."""
        return {
            "feedsim": __version__,
            "title": self.scenario.title,
            "scenario": scenario_to_dict(self.scenario),
            "points": [dict(point) for point in points],
            "highest_accepted_speed_mm_s": highest_accepted(points),
        }


def highest_accepted(points: Sequence[PlainResults]) -> float | None:
    """Return the speed (mm/s) up to which every point is accepted; None if the first is not.

    A faster point that is accepted again beyond one that is not does not count: nobody
    would run there.
    """
    best: float | None = None
    refused = [_speed(p) for p in points if not p["accepted"]]
    for point in points:
        if all(_speed(point) < speed for speed in refused):
            best = max(best or 0.0, _speed(point))
    return best


def _speed(point: PlainResults) -> float:
    speed = point["line_speed_mm_s"]
    assert isinstance(speed, float)  # noqa: S101 - as metrics wrote it
    return speed


def run_point(scenario: dict[str, Any], speed_mm_s: float, replication: int) -> dict[str, Plain]:
    """Run one point, in whatever process; the same results as a run at that speed alone.

    Parameters
    ----------
    scenario : dict
        As :func:`feedsim.scenario.scenario_to_dict` gives it.
    speed_mm_s, replication
        See :class:`Point`.
    """
    at_speed = at_line_speed(scenario_from_dict(scenario), speed_mm_s)
    return rehearse(at_speed, replication=replication).results.to_plain()


def run_sweep(
    sweep: Sweep,
    *,
    jobs: int,
    known: Mapping[int, PlainResults],
    on_point: Callable[[int, PlainResults], None],
    on_lost: Callable[[str], None],
) -> list[PlainResults]:
    """Run the points that are not known yet, and return all of them in order.

    Parameters
    ----------
    sweep : Sweep
    jobs : int
        Processes.
    known : mapping of int to results
        Points that an earlier, interrupted sweep has finished, by their place.
    on_point : callable
        Told of each point as it is finished: its place and its results.
    on_lost : callable
        Told in words when a worker process has died.
    """
    results = dict(known)
    places = [place for place in range(len(sweep.points)) if place not in results]
    plain = scenario_to_dict(sweep.scenario)
    calls = [
        (plain, sweep.points[place].speed_mm_s, sweep.points[place].replication) for place in places
    ]
    for at, result in completed(run_point, calls, jobs=jobs, on_lost=on_lost):
        results[places[at]] = result
        on_point(places[at], result)
    return [results[place] for place in range(len(sweep.points))]
