"""What each change of the best setup buys: one taken back at a time, with common random numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from feedsim.answers.tune.study.simulated import FeederRan, RunCounts
from feedsim.answers.tune.study.space import Setup
from feedsim.arrays import Floats
from feedsim.criteria import Criteria
from feedsim.metrics.intervals import Interval, most_if_none
from feedsim.metrics.spread import variance_of_sums
from feedsim.metrics.student import jackknife_error, student_interval

Counting = Callable[[Sequence[tuple[Setup, float]]], Sequence[Sequence[RunCounts]]]
"""Setups, each at a line speed (mm/s) → their runs, run r with the same random numbers for all."""

_ROUNDS = 24
_ADDED = 0.5  # to hits and misses, so that zero has a logarithm
_NEAR, _SUDDEN = 5e-3, 5e-4
_JUMP = 1.5  # of a logarithm: so steep that a straight line says nothing
_LADDER = (0.97, 1.0, 1.03)
_WIDER = 1.08
_FURTHEST = 4.0


@dataclass(frozen=True, slots=True)
class Worth:
    """A figure of a setup, and its value without each run, shape (runs,).

    ``apart``: additional uncertainty, as where shares jump between speeds.
    """

    value: float
    without: Floats
    apart: float = 0.0

    def over(self, other: Worth) -> tuple[float, Interval]:
        """Return the excess over another one, with its 95 % interval."""
        size, (low, high) = differs(self.value, self.without, other.value, other.without)
        apart = self.apart + other.apart
        return size, Interval(low - apart, high + apart)


def most_of(criteria: Criteria) -> tuple[float, float, float]:
    """Return the largest shares that are accepted: out of tolerance, missed, at risk."""
    return criteria.largest("within_tolerance"), criteria.missed, criteria.jam_risk


def fastest(
    setups: Sequence[Setup],
    starts_mm_s: Sequence[float],
    most: Sequence[float],
    counting: Counting,
) -> list[Worth | None]:
    """Return the fastest speed (mm/s) of each setup that meets the criteria, by counts.

    ``starts_mm_s``: where to search for it, setup by setup; None if it does not lie within a factor
    of four of that. ``most``: from :func:`most_of`.
    """
    seen: list[dict[float, Counts]] = [{} for _ in setups]
    for _ in range(_ROUNDS):
        asked = [
            (place, speed)
            for place, start in enumerate(starts_mm_s)
            for speed in to_look_at(seen[place], _tiled(most, seen[place]), start)
        ]
        if not asked:
            break
        runs = counting([(setups[place], speed) for place, speed in asked])
        for (place, speed), found in zip(asked, runs, strict=True):
            seen[place][speed] = counts_of(found)
    return [crossing(each, _tiled(most, each)) for each in seen]


def _tiled(most: Sequence[float], seen: Mapping[float, Counts]) -> Floats:
    """Return the limit of every figure of every feeder."""
    feeders = next(iter(seen.values())).hits.shape[1] // len(most) if seen else 1
    return np.tile(np.asarray(most, dtype=np.float64), feeders)


def counts_of(runs: Sequence[RunCounts]) -> Counts:
    """Return the counts of some runs, shape (runs, figures of all feeders)."""
    tallies = [[feeder.tally for feeder in run] for run in runs]
    hits = [[n for t in run for n in (t.placed - t.within, t.missed, t.at_risk)] for run in tallies]
    trials = [[n for t in run for n in (t.placed, t.carriers, t.cycles)] for run in tallies]
    return Counts(np.array(hits, dtype=np.float64), np.array(trials, dtype=np.float64))


def figure_of(runs: Sequence[RunCounts], aim: Literal["jam_risk", "spread"]) -> Worth | None:
    """Return the jam risk or the standard deviation (mm) of the worst feeder, pooled over runs."""
    one = _risk if aim == "jam_risk" else _sd
    columns = [np.array([_sums(run[f]) for run in runs]) for f in range(len(runs[0]))]
    whole = [one(each.sum(axis=0)) for each in columns]
    if any(value is None for value in whole):
        return None
    worst = max(range(len(columns)), key=lambda f: whole[f] or 0.0)
    each = columns[worst]
    less = [one(each.sum(axis=0) - row) for row in each]
    value, apart = whole[worst] or 0.0, 0.0
    if aim == "jam_risk" and value in (0.0, 1.0):  # equal runs say nothing about chance
        apart = most_if_none(int(each[:, 1].sum()), error=0.05)
    return Worth(value, np.array([value if v is None else v for v in less]), apart)


def _sums(ran: FeederRan) -> list[float]:
    return [ran.tally.at_risk, ran.tally.cycles, ran.placed, ran.sum_mm, ran.squares_mm2]


def _risk(sums: Floats) -> float | None:
    return float(sums[0] / sums[1]) if sums[1] else None


def _sd(sums: Floats) -> float | None:
    n, total, squares = sums[2:].tolist()
    if n < 2:
        return None
    return math.sqrt(variance_of_sums(n, total, squares))


def worth(
    with_it: Worth | None, without: Worth | None, *, less: bool
) -> tuple[float | None, Interval | None]:
    """Return how much better a change makes it, with its 95 % interval.

    ``less``: less of the figure is better.
    """
    if with_it is None or without is None:
        return None, None
    return without.over(with_it) if less else with_it.over(without)


class Counts(NamedTuple):
    """Hits and trials of every figure of every feeder in each run, shape (runs, figures)."""

    hits: Floats
    trials: Floats


def crossing(seen: Mapping[float, Counts], most: Floats) -> Worth | None:
    """Return the speed at which the first figure exceeds its limit; None if not seen on both sides.

    ``seen``: by line speed (mm/s), of the same runs. ``most``, shape (figures,): the largest share
    of each that is accepted.
    """
    speeds = sorted(seen)
    hits = np.stack([seen[v].hits for v in speeds])
    trials = np.stack([seen[v].trials for v in speeds])
    times = _times(hits.sum(axis=1), trials.sum(axis=1), most)
    whole, place = _through(speeds, times), _first(times)
    if whole is None or place is None:
        return None
    jumps = times[place] - times[place - 1] > _JUMP
    apart = 0.5 * (speeds[place] - speeds[place - 1]) if jumps else 0.0
    left = [
        (hits.sum(axis=1) - hits[:, r], trials.sum(axis=1) - trials[:, r])
        for r in range(hits.shape[1])
    ]
    less = [_through(speeds, _times(h, n, most)) for h, n in left]
    return Worth(whole, np.array([whole if v is None else v for v in less]), apart)


def _times(hits: Floats, trials: Floats, most: Floats) -> Floats:
    """Return the logarithm of the worst share over its limit, at each speed."""
    share = (hits + _ADDED) / (trials + 2.0 * _ADDED)
    allowed = np.maximum(most, _ADDED / (trials + 2.0 * _ADDED) * (1.0 + 1e-9))
    found: Floats = np.log(share / allowed).max(axis=1)
    return found


def _through(speeds: Sequence[float], times: Floats) -> float | None:
    place = _first(times)
    if place is None or place == 0:
        return None
    low, high = times[place - 1], times[place]
    part = -low / (high - low)
    return float(speeds[place - 1] + part * (speeds[place] - speeds[place - 1]))


def _first(times: Floats) -> int | None:
    over = np.flatnonzero(times > 0.0)
    return int(over[0]) if len(over) else None


def to_look_at(seen: Mapping[float, Counts], most: Floats, start_mm_s: float) -> list[float]:
    """Return the speeds (mm/s) to run next to locate the crossing; none: it is known well.

    ``seen``, ``most``: as in :func:`crossing`. ``start_mm_s``: where to search for it; not beyond
    four times as fast or as slow.
    """
    if not seen:
        return [by * start_mm_s for by in _LADDER]
    speeds = sorted(seen)
    pooled = [seen[v] for v in speeds]
    times = _times(
        np.stack([c.hits.sum(axis=0) for c in pooled]),
        np.stack([c.trials.sum(axis=0) for c in pooled]),
        most,
    )
    place = _first(times)
    if place is None:
        higher = _further(speeds[-1], start_mm_s)
        return [higher] if higher <= _FURTHEST * start_mm_s else []
    if place == 0:
        lower = start_mm_s * start_mm_s / _further(start_mm_s * start_mm_s / speeds[0], start_mm_s)
        return [lower] if lower >= start_mm_s / _FURTHEST else []
    low, high = speeds[place - 1], speeds[place]
    near = _SUDDEN if times[place] - times[place - 1] > _JUMP else _NEAR
    return [] if high - low <= near * high else [0.5 * (low + high)]


def _further(speed: float, start: float) -> float:
    """Return the next speed away from the start, in ever longer steps."""
    return speed * max(_WIDER, math.sqrt(speed / start))


def differs(
    one: float, one_without: Floats, other: float, other_without: Floats
) -> tuple[float, Interval]:
    """Return a difference of two figures and its 95 % interval by the jackknife, runs paired.

    ``one``, ``other``: of all runs; ``one_without``, ``other_without``, shape (runs,): without each
    run in turn.
    """
    less, size = one_without - other_without, one - other
    return size, student_interval(size, jackknife_error(less), dof=len(less) - 1.0)
