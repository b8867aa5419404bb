"""One scenario at many line speeds, or with many values of a key, on the same cards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from feedsim import __version__
from feedsim.answers.limit.study.islands import islands_plain
from feedsim.errors import Fault, FeedsimError
from feedsim.metrics.plain import Plain
from feedsim.quantities import System
from feedsim.running.axes import LINE_SPEED, MOST_POINTS, Axis, changed
from feedsim.running.executor import Where, completed
from feedsim.running.run import rehearse
from feedsim.scenario import Scenario, scenario_from_dict, scenario_to_dict

__all__ = ["Changes", "PlainResults", "Sweep", "highest_accepted", "run_point", "run_sweep"]

PlainResults = Mapping[str, Plain]
Changes = tuple[tuple[str, str], ...]
"""What sets a point apart: keys and their values, in the order of the axes."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """What a sweep runs.

    Attributes
    ----------
    scenario : Scenario
    axes : tuple of Axis
        One or two, the line speed last.
    replications : int
        Runs at each point, each with cards and phases of its own; the same ones at every point.
    units : {"metric", "inch"}
        In which it is told, unless others are asked for.
    """

    scenario: Scenario
    axes: tuple[Axis, ...]
    replications: int
    units: System = "metric"

    @property
    def points(self) -> tuple[Changes, ...]:
        """All points, the last axis changing fastest."""
        keys = [axis.key for axis in self.axes]
        every = product(*(axis.values for axis in self.axes))
        return tuple(tuple(zip(keys, values, strict=True)) for values in every)

    @property
    def fingerprint(self) -> str:
        """A hash of all that is run; what runs it is in :mod:`feedsim.running.provenance`."""
        axes = [[axis.key, *axis.values] for axis in self.axes]
        what = [scenario_to_dict(self.scenario), axes, self.replications]
        return hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()

    def check(self) -> None:
        """Make sure that every point can be run.

        Raises
        ------
        FeedsimError
            If more than two keys are crossed or one with itself, if there are more than
            ``MOST_POINTS`` points, no such key, or a value that makes a scenario that cannot be.
        """
        keys = [axis.key for axis in self.axes]
        if len(keys) > 2 or len(set(keys)) < len(keys):
            message = f"cannot cross {' and '.join(keys)}; one key, or two that differ"
            raise FeedsimError(Fault("--vary", message=message))
        if len(self.points) > MOST_POINTS:
            message = f"{len(self.points)} points are too many; at most {MOST_POINTS}"
            raise FeedsimError(Fault("--vary", message=message))
        varied = {tuple(c for c in point if c[0] != LINE_SPEED) for point in self.points}
        for changes in sorted(varied):
            try:
                changed(self.scenario, changes)
            except FeedsimError as error:
                at = ", ".join(f"{key}={value}" for key, value in changes)
                faults = [Fault(f"--vary {at}", message=str(fault)) for fault in error.faults]
                raise FeedsimError(*faults) from None

    def to_plain(self, points: Sequence[PlainResults]) -> dict[str, Plain]:
        """Return what ``sweep.json`` holds, from the results of all points in order."""
        return {
            "feedsim": __version__,
            "title": self.scenario.title,
            "scenario": scenario_to_dict(self.scenario),
            "axes": [{"key": axis.key, "values": list(axis.values)} for axis in self.axes],
            "points": [dict(point) for point in points],
            **self._highest(points),
        }

    def _highest(self, points: Sequence[PlainResults]) -> dict[str, Plain]:
        """Return up to which speed all is accepted, and the islands above it.

        Crossed with a key, for each of its values.
        """
        *others, last = self.axes
        if not last.is_speed:
            return {"highest_accepted_speed_mm_s": None, "islands": []}
        if not others:
            highest = highest_accepted(points)
            return {"highest_accepted_speed_mm_s": highest, "islands": [*islands_plain(points)]}
        length = len(last.values)
        rows: list[Plain] = []
        found: list[Plain] = []
        for place, value in enumerate(others[0].values):
            row = points[place * length : (place + 1) * length]
            varied: dict[str, Plain] = {others[0].key: value}
            rows.append({"varied": varied, "line_speed_mm_s": highest_accepted(row)})
            found += [{"varied": varied, **island} for island in islands_plain(row)]
        return {"highest_accepted_speed_mm_s": None, "highest_accepted": rows, "islands": found}


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


def run_point(scenario: dict[str, Any], changes: Changes, replications: int) -> dict[str, Plain]:
    """Run one point, in whatever process; the same results as a run of that scenario alone.

    Parameters
    ----------
    scenario : dict
        As :func:`feedsim.scenario.scenario_to_dict` gives it.
    changes, replications
        See :class:`Sweep`.

    Returns
    -------
    dict
        The figures of ``results.json``; under ``varied`` the value of each key that is not the
        line speed, if there is one.
    """
    there = changed(scenario_from_dict(scenario), changes)
    results = rehearse(there, replications=replications).results.to_plain()
    varied: dict[str, Plain] = {key: value for key, value in changes if key != LINE_SPEED}
    return {**results, "varied": varied} if varied else results


def run_sweep(
    sweep: Sweep,
    *,
    where: Where,
    known: Mapping[int, PlainResults],
    on_point: Callable[[int, PlainResults], None],
    on_lost: Callable[[str], None],
) -> list[PlainResults]:
    """Run the points that are not known yet, and return all of them in order.

    Parameters
    ----------
    sweep : Sweep
    where : Local or Cluster
        Where the points run; the results do not depend on it.
    known : mapping of int to results
        Points that an earlier, interrupted sweep has finished, by their place.
    on_point : callable
        Told of each point as it is finished: its place and its results.
    on_lost : callable
        Told in words when a worker is lost.
    """
    results = dict(known)
    points = sweep.points
    places = [place for place in range(len(points)) if place not in results]
    plain = scenario_to_dict(sweep.scenario)
    calls = [(plain, points[place], sweep.replications) for place in places]
    for at, result in completed(run_point, calls, where=where, on_lost=on_lost):
        results[places[at]] = result
        on_point(places[at], result)
    return [results[place] for place in range(len(points))]
