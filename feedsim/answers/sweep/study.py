"""One scenario at many line speeds, or with many values of a key, with common random numbers."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from typing import Any, Self

from feedsim import __version__
from feedsim.answers.limit.study.closed import (
    FeederLimit,
    RefusedSpeeds,
    complete_to,
    limits_of_line,
    refused_speeds,
)
from feedsim.answers.limit.study.islands import Island, islands_of
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.metrics.plain import IF_ANY, LEFT_OUT
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.running.axes import LINE_SPEED, MOST_POINTS, Axis, changed
from feedsim.running.executor import Where, completed
from feedsim.running.point import Point, point_of
from feedsim.running.run import line_run
from feedsim.scenario import AS_WRITTEN, Scenario, scenario_from_dict, scenario_to_dict
from feedsim.settings.limits import Closed

Changes = tuple[tuple[str, str], ...]
"""What defines a point: keys and their values, in the order of the axes."""


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """What a sweep runs.

    One or two axes, the line speed last; at each point ``replications`` runs, each with random
    numbers of its own, the same ones at every point. ``units``: of its text by default.
    ``written``: the data that the scenario was read from.
    """

    scenario: Scenario
    axes: tuple[Axis, ...]
    replications: int
    units: System = "metric"
    written: Mapping[str, Any] | None = None

    @property
    def points(self) -> tuple[Changes, ...]:
        """All points, the last axis changing fastest."""
        keys = [axis.key for axis in self.axes]
        every = product(*(axis.values for axis in self.axes))
        return tuple(tuple(zip(keys, values, strict=True)) for values in every)

    @property
    def carriers(self) -> int:
        """Number run in all, warm-ups included."""
        run = self.scenario.run
        return (run.warm_up + run.carriers) * self.replications * len(self.points)

    @property
    def fingerprint(self) -> str:
        """A hash of everything that is run; see :mod:`feedsim.running.provenance` for the code."""
        axes = [[axis.key, *axis.values] for axis in self.axes]
        what = [scenario_to_dict(self.scenario), axes, self.replications]
        return hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()

    def check(self) -> None:
        """Check that every point can be run.

        Raises FeedsimError if more than two keys are crossed, or one with itself; for more than
        ``MOST_POINTS`` points, an unknown key, or a value that makes an impossible scenario.
        """
        keys = [axis.key for axis in self.axes]
        if len(keys) > 2 or len(set(keys)) < len(keys):
            message = f"cannot cross {' and '.join(keys)}; one key, or two that differ"
            raise FeedsimError(Fault(argument("vary"), message=message))
        if len(self.points) > MOST_POINTS:
            message = f"{len(self.points)} points are too many; at most {MOST_POINTS}"
            raise FeedsimError(Fault(argument("vary"), message=message))
        varied = {tuple(c for c in point if c[0] != LINE_SPEED) for point in self.points}
        for changes in sorted(varied):
            try:
                changed(self.scenario, changes)
            except FeedsimError as error:
                at = ", ".join(f"{key}={value}" for key, value in changes)
                faults = [
                    Fault(f"{argument('vary')} {at}", message=str(fault)) for fault in error.faults
                ]
                raise FeedsimError(*faults) from None


@dataclass(frozen=True, slots=True)
class HighestAccepted:
    """The speed up to which every point with one value of a key is accepted, if there is one."""

    varied: dict[str, str]
    line_speed_mm_s: float | None


@dataclass(frozen=True, slots=True, repr=False)
class Swept:
    """All points of a sweep.

    ``axes``: one or two, the line speed last.
    ``points``: in order; the last axis changes fastest.
    ``highest_accepted_speed_mm_s``: the speed up to which every point is accepted; None if the
    first is not, or if the line speed is not the only axis.
    ``highest_accepted``: if it is crossed with a key: for each value of that.
    ``islands``: speeds accepted above one that is not.
    ``closed_form``: of the scenario as given, the lowest first.
    ``closed_form_refused``: what the closed forms refuse, rising.
    ``closed_form_complete_to_mm_s``: up to which speed refused stretches were searched for finely;
    above, more may be missing. None: all the way.
    """

    feedsim: str
    title: str
    scenario: Scenario = field(metadata=AS_WRITTEN)
    axes: tuple[Axis, ...]
    points: tuple[Point, ...]
    highest_accepted_speed_mm_s: float | None
    highest_accepted: tuple[HighestAccepted, ...] = field(metadata=IF_ANY)
    islands: tuple[Island, ...]
    closed_form: tuple[FeederLimit, ...]
    closed_form_refused: tuple[RefusedSpeeds, ...]
    closed_form_complete_to_mm_s: float | None
    units: System = field(default="metric", metadata=LEFT_OUT)
    written: Mapping[str, Any] | None = field(default=None, metadata=LEFT_OUT)

    @classmethod
    def of(cls, plan: SweepPlan, points: Sequence[Point], forms: Sequence[Closed]) -> Self:
        """Gather the points of a sweep, in order, and what the closed forms say of each feeder."""
        *others, last = plan.axes
        rows: list[HighestAccepted] = []
        islands: tuple[Island, ...] = ()
        results, length = [point.results for point in points], len(last.values)
        for place, value in enumerate(others[0].values if others and last.is_speed else ()):
            row, varied = results[place * length : (place + 1) * length], {others[0].key: value}
            rows.append(HighestAccepted(varied, highest_accepted(row)))
            islands += islands_of(row, varied)
        alone = last.is_speed and not others
        return cls(
            feedsim=__version__,
            title=plan.scenario.title,
            scenario=plan.scenario,
            axes=plan.axes,
            points=tuple(points),
            highest_accepted_speed_mm_s=highest_accepted(results) if alone else None,
            highest_accepted=tuple(rows),
            islands=islands_of(results) if alone else islands,
            closed_form=limits_of_line(plan.scenario, [form.limits for form in forms]),
            closed_form_refused=refused_speeds(forms),
            closed_form_complete_to_mm_s=complete_to(forms),
            units=plan.units,
            written=plan.written,
        )

    @property
    def by_speed(self) -> bool:
        """Whether the line speed is swept, alone or with another key."""
        return self.axes[-1].is_speed

    @property
    def by_speed_alone(self) -> bool:
        """Whether the line speed alone is swept."""
        return self.by_speed and len(self.axes) == 1

    def limits_of(self, feeder: str) -> list[FeederLimit]:
        """Return the limits of one feeder in closed form, the lowest first."""
        return [limit for limit in self.closed_form if limit.feeder == feeder]


def highest_accepted(points: Sequence[Results]) -> float | None:
    """Return the speed (mm/s) up to which every point is accepted; None if the first is not.

    A faster point accepted beyond a refused one does not count: nobody would run there.
    """
    refused = min((p.line_speed_mm_s for p in points if not p.accepted), default=math.inf)
    return max((p.line_speed_mm_s for p in points if p.line_speed_mm_s < refused), default=None)


def run_point(scenario: dict[str, Any], changes: Changes, replications: int) -> Point:
    """Run one point of a :class:`SweepPlan`, whose scenario is plain data, in any process.

    The same results as a run of that scenario alone.
    """
    return elsewhere(scenario, changes, replications)()


def elsewhere(scenario: dict[str, Any], changes: Changes, replications: int) -> Callable[[], Point]:
    """Return a call that gives the same in a process that reads no scenarios."""
    line = line_run(changed(scenario_from_dict(scenario), changes))
    varied = {key: value for key, value in changes if key != LINE_SPEED}
    return partial(point_of, line, replications, varied=varied, counted=len(changes) == 1)


def run_sweep(
    sweep: SweepPlan,
    *,
    where: Where,
    known: Mapping[int, Point],
    on_point: Callable[[int, Point], None],
    on_lost: Callable[[str], None],
) -> list[Point]:
    """Run the points that are not known yet, and return all of them in order.

    Where they run makes no difference to them. ``known``: points that an interrupted sweep
    finished, by place. ``on_point`` is called with the place of each finished point and the point,
    ``on_lost`` with a message when a worker is lost.
    """
    results = dict(known)
    points = sweep.points
    places = [place for place in range(len(points)) if place not in results]
    plain = scenario_to_dict(sweep.scenario)
    calls = [(plain, points[place], sweep.replications) for place in places]
    ran = completed(run_point, calls, elsewhere=elsewhere, where=where, on_lost=on_lost)
    for at, result in ran:
        results[places[at]] = result
        on_point(places[at], result)
    return [results[place] for place in range(len(points))]
