"""A setup simulated: a drawn machine with the settings for the believed one, and its counts.

A search uses the random numbers of the first replications, a verdict those after ``FRESH``, which
no search ever sees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any, NamedTuple

import numpy as np

from feedsim.answers.tune.study.closed import bound_speed, space_in_worker
from feedsim.answers.tune.study.line import ClosedLine, draws_of, true_machine
from feedsim.answers.tune.study.space import Draw, Setup, Space
from feedsim.criteria import Criteria, Figure
from feedsim.errors import FeedsimError
from feedsim.metrics.intervals import Interval
from feedsim.metrics.paired_feeders import Ran
from feedsim.metrics.rows import placed_rows
from feedsim.metrics.spread import sum_of_products, variance_of_sums
from feedsim.metrics.student import standard_error, student_interval
from feedsim.metrics.tally import Tally, added, shares_of, tally
from feedsim.running.engines import expect_many
from feedsim.running.run import criteria_of, run_once
from feedsim.settings.shares_by_speed import accepted_to

FRESH = 1_000_000
"""First replication of the random numbers that no search sees."""
RUNS = 4
"""Runs for each drawn machine at a speed: phases of ticks and counts are drawn once a run."""


@dataclass(frozen=True, slots=True)
class Met:
    """Whether a machine meets all acceptance figures in its runs.

    ``times``: the worst figure over its limit; ``jam_risk``: of the worst feeder; ``variance_mm2``:
    of its placement.
    """

    met: bool
    times: float
    figure: str
    share: float
    jam_risk: float
    variance_mm2: float


@dataclass(frozen=True, slots=True)
class FeederRan:
    """One run of a feeder: its counts, and number, sum and sum of squares of placement errors."""

    tally: Tally
    placed: int
    sum_mm: float
    squares_mm2: float


RunCounts = tuple[FeederRan, ...]
"""One run: each feeder."""


class OverLimit(NamedTuple):
    """A figure of the worst feeder over its limit (``times``), and its share."""

    times: float
    share: float


def _machines(space: Space, of: int) -> tuple[Draw, ...]:
    """Return so many machines drawn for a verdict, unseen by any search; 0: those of a search."""
    return space.draws(of, fresh=True) if of else draws_of(space)


class Ranked(NamedTuple):
    """The numbers of drawn machines, the worst in closed form first, and some of their bounds.

    ``bounds_mm_s``: for the ranks asked for, the speed up to which closed forms accept them.
    """

    numbers: list[int]
    bounds_mm_s: list[float]


def met(scenario: dict[str, Any], setup: Setup, number: int, of: int, speed_mm_s: float) -> Met:
    """Run one drawn machine, in any process.

    ``number``: of the draw; ``of``: fresh machines in all; 0: it is one of the search.
    """
    space = space_in_worker(scenario)
    draw = _machines(space, of)[number]
    carriers = -(-space.tune.carriers // RUNS)
    first = (FRESH if of else 0) + RUNS * number
    runs = _runs(space, tuple(setup), draw, speed_mm_s, range(first, first + RUNS), carriers)
    if not runs:
        return Met(False, math.inf, "missed", 1.0, 1.0, math.inf)
    return _met(runs, criteria_of(space.scenario))


def ranked(
    scenario: dict[str, Any], setup: Setup, speed_mm_s: float, of: int, ranks: Sequence[int]
) -> Ranked:
    """Rank drawn machines in closed form at a speed, in any process; ``of``: as in :func:`met`."""
    space = space_in_worker(scenario)
    draws = _machines(space, of)
    line = ClosedLine(space, tuple(setup))

    def times(draw: Draw) -> float:
        try:
            return line.excess(speed_mm_s, draw).times
        except FeedsimError:
            return float("inf")

    found = [times(draw) for draw in draws]
    numbers = sorted(range(len(draws)), key=lambda n: -found[n])
    bounds = [bound_speed(line, draws[numbers[rank]], around=speed_mm_s) for rank in ranks]
    return Ranked(numbers, bounds)


def count(
    scenario: dict[str, Any], setup: Setup, speed_mm_s: float, first: int, runs: int, carriers: int
) -> list[RunCounts]:
    """Run the believed machine, in any process, so many times from a first replication on."""
    space = space_in_worker(scenario)
    numbers = range(first, first + runs)
    return _runs(space, tuple(setup), None, speed_mm_s, numbers, carriers)


def _runs(
    space: Space,
    setup: Setup,
    draw: Draw | None,
    speed_mm_s: float,
    numbers: range,
    carriers: int,
) -> list[RunCounts]:
    """Run replications of one machine; none if no such machine is possible."""
    try:
        line, machine = true_machine(space, setup, draw=draw, speed_mm_s=speed_mm_s)
    except FeedsimError:
        return []
    length = line.run.model_copy(update={"carriers": carriers})
    line = line.model_copy(update={"run": length, "seed": space.scenario.seed})
    expect_many()
    found = []
    for number in numbers:
        ran = Ran(run_once(line, machine, replication=number), machine, criteria_of(line))
        found.append(tuple(_feeder(ran, n) for n in range(len(machine.feeders))))
    return found


def _feeder(ran: Ran, number: int) -> FeederRan:
    records = ran.records.feeders[number]
    rows = placed_rows(records, ran.records.warm_up)
    errors = np.asarray(records.placement_error_mm[rows], dtype=np.float64)
    squares = sum_of_products(errors, errors)
    return FeederRan(tally(ran, number=number), len(errors), float(errors.sum()), squares)


def _met(runs: Sequence[RunCounts], criteria: Criteria) -> Met:
    excess = excess_of(runs, criteria)
    figure = max(excess, key=lambda name: excess[name].times)
    worst, share = excess[figure]
    jam_risk = excess["jam_risk"].share
    return Met(accepted(runs, criteria), worst, figure, share, jam_risk, variance(runs))


def by_feeder(runs: Sequence[RunCounts]) -> list[tuple[FeederRan, ...]]:
    """Return the runs of each feeder."""
    return list(zip(*runs, strict=True))


def accepted(runs: Sequence[RunCounts], criteria: Criteria) -> bool:
    """Return whether all figures are met by counts, and each feeder placed something."""
    placed = all(any(one.placed for one in feeder) for feeder in by_feeder(runs))
    return placed and all(one.times <= 1.0 for one in excess_of(runs, criteria).values())


def jam_risk(
    runs: Sequence[RunCounts], criteria: Criteria, *, confidence: float
) -> tuple[float | None, Interval | None]:
    """Return the jam risk of the worst feeder over all runs, with its interval; None without."""
    if not runs:
        return None, None
    tallies = [[one.tally for one in feeder] for feeder in by_feeder(runs)]
    shares = [shares_of(each, criteria, confidence=confidence).jam_risk for each in tallies]
    worst = max(shares, key=lambda one: one.share or 0.0)
    return worst.share, worst.ci95


def excess_of(runs: Sequence[RunCounts], criteria: Criteria) -> dict[Figure, OverLimit]:
    """Return each figure over its limit, for its worst feeder.

    For within_tolerance the share outside.
    """
    worst: dict[Figure, OverLimit] = {}
    for feeder in by_feeder(runs):
        sums = added([run.tally for run in feeder])
        shares: dict[Figure, float] = {
            "missed": sums.missed / max(1, sums.carriers),
            "jam_risk": sums.at_risk / max(1, sums.cycles),
            "within_tolerance": 1.0 - sums.within / sums.placed if sums.placed else 1.0,
        }
        for figure, share in shares.items():
            times = share / accepted_to(criteria.largest(figure))
            worst[figure] = max(worst.get(figure, OverLimit(-1.0, 0.0)), OverLimit(times, share))
    return worst


def mean_of(each: Sequence[float], *, confidence: float = 0.95) -> tuple[float, Interval]:
    """Return the mean of a figure (0 or more) over runs or machines, with its interval."""
    mean, sd = fmean(each), standard_error(np.array(each))
    low, high = student_interval(mean, sd, dof=len(each) - 1.0, confidence=confidence)
    return mean, Interval(max(0.0, low), high)


def sd_of(variances_mm2: Sequence[float], *, confidence: float = 0.95) -> tuple[float, Interval]:
    """Return the standard deviation of runs or machines together, by :func:`mean_of`."""
    mean, ends = mean_of(variances_mm2, confidence=confidence)
    return math.sqrt(mean), Interval(*map(math.sqrt, ends))


def variance(runs: Sequence[RunCounts]) -> float:
    """Return the variance of the placement (mm²) of all runs, for the feeder that spreads most."""
    return max(map(_variance, by_feeder(runs)))


def _variance(runs: Sequence[FeederRan]) -> float:
    """Return the variance of the placement (mm²) of all runs of a feeder; infinite if unknown."""
    n = sum(run.placed for run in runs)
    if n < 2:
        return math.inf
    return variance_of_sums(n, sum(r.sum_mm for r in runs), sum(r.squares_mm2 for r in runs))


def variances(runs: Sequence[RunCounts]) -> list[float]:
    """Return the variance of the placement (mm²) of each run, for the feeder that spreads most."""
    feeders = [[_variance([one]) for one in feeder] for feeder in by_feeder(runs)]
    return max(feeders, key=math.fsum, default=[])
