"""Speeds in rungs of 0.3 %, and the rungs at which simulation accepts a setup."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.knob import last_accepted
from feedsim.answers.tune.study.line import draws_of
from feedsim.answers.tune.study.simulated import RunCounts, accepted, by_feeder
from feedsim.answers.tune.study.space import Setup
from feedsim.metrics.tally import Sureness, sureness
from feedsim.running.run import criteria_of

_RATIO = 1.003
_FURTHEST = 512
_AT_ONCE = 8
"""Drawn machines that run before the first check whether enough are refused."""
RUNS_BELIEVED = 20
_RUN = 2
"""Runs of the believed machine, and the carriers of each as a part of those of a drawn one."""
SEARCHED, JUDGED = 100_000, 2_000_000
"""First replications of the believed machine, in a search and in a verdict."""


def speed_at(bench: Bench, rung: float) -> float:
    """Return the speed (mm/s) of a rung; that of the line as it is has number 0."""
    return float(bench.space.start_mm_s * _RATIO**rung)


def rung_of(bench: Bench, speed_mm_s: float) -> int:
    """Return the rung at or below a speed."""
    return math.floor(math.log(speed_mm_s / bench.space.start_mm_s) / math.log(_RATIO) + 1e-9)


def highest(accepted: Callable[[int], bool], start: int) -> int | None:
    """Return the highest accepted rung before a refused one, near a first one.

    Strides are doubled, then halved. None if there is none within ``_FURTHEST`` rungs.
    """
    up = accepted(start)
    inside, stride = start, 1
    while abs(inside - start) < _FURTHEST:
        there = inside + (stride if up else -stride)
        if accepted(there) is not up:
            return last_accepted(accepted, *((inside, there) if up else (there, inside)))
        inside, stride = there, 2 * stride
    return inside if up else None


class Rungs(Protocol):
    """A setup, asked rung by rung."""

    def accepted(self, rung: int) -> bool:
        """Return whether it seems accepted."""


class Believed:
    """The believed machine, with the random numbers of the search or of the verdict."""

    def __init__(self, bench: Bench, setup: Setup, *, fresh: bool) -> None:
        self._bench, self._setup = bench, setup
        self._first = JUDGED if fresh else SEARCHED
        self.criteria = criteria_of(bench.space.scenario)

    def runs(self, speed_mm_s: float) -> list[RunCounts]:
        """Return the counts at a speed."""
        carriers = -(-self._bench.space.tune.carriers // _RUN)
        point = [(self._setup, speed_mm_s)]
        (runs,) = self._bench.counted(
            point, first=self._first, runs=RUNS_BELIEVED, carriers=carriers
        )
        return runs

    def accepted(self, rung: int) -> bool:
        """Return whether all figures are met, as point estimates."""
        return self.met(speed_at(self._bench, rung))

    def met(self, speed_mm_s: float) -> bool:
        """Return the same for a speed."""
        runs = self.runs(speed_mm_s)
        return bool(runs) and accepted(runs, self.criteria)

    def sureness(self, speed_mm_s: float, *, confidence: float) -> Sureness:
        """Return what is known of a speed, each interval at a confidence."""
        runs = self.runs(speed_mm_s)
        if not runs:
            return Sureness.REFUSED
        feeders = [[one.tally for one in feeder] for feeder in by_feeder(runs)]
        return sureness(feeders, self.criteria, confidence=confidence)


class Drawn:
    """Machines drawn from what is unsure.

    A machine refused at a speed counts as refused at every faster one, and one accepted as accepted
    at every slower one, so few are run at each.
    ``fresh``: number of machines that no search has seen; 0: those of the search.
    ``near_mm_s``: speed at which closed forms rank them, to run the worst first.
    ``ranks``: of the machines whose bounds are wanted, the worst is 0.
    ``bounds_mm_s``: the speeds up to which these are accepted in closed form, 0.0: at none.
    """

    def __init__(
        self,
        bench: Bench,
        setup: Setup,
        *,
        fresh: int,
        near_mm_s: float,
        ranks: Sequence[int] = (),
    ) -> None:
        self._bench, self._setup, self._fresh = bench, setup, fresh
        self.n = fresh or len(draws_of(bench.space))
        within = [min(rank, self.n - 1) for rank in ranks]
        self._order, self.bounds_mm_s = bench.ranked(setup, near_mm_s, fresh=fresh, ranks=within)
        self._refused_from = dict.fromkeys(range(self.n), math.inf)
        self._accepted_to = dict.fromkeys(range(self.n), -math.inf)
        self.may_fail = bench.space.may_fail(self.n)

    def accepted(self, rung: int) -> bool:
        """Return whether enough of them meet all figures."""
        return self.refused(rung, at_most=self.may_fail) <= self.may_fail

    def refused(self, rung: int, *, at_most: int) -> int:
        """Return how many are refused at a rung; counting ends beyond ``at_most``."""
        refused = sum(self._refused_from[n] <= rung for n in self._order)
        left = [
            n for n in self._order if self._refused_from[n] > rung and self._accepted_to[n] < rung
        ]
        speed = speed_at(self._bench, rung)
        while left and refused <= at_most:
            now, left = left[:_AT_ONCE], left[_AT_ONCE:]
            ran = self._bench.met(self._setup, now, speed, fresh=self._fresh)
            for n, found in zip(now, ran, strict=True):
                if found.met:
                    self._accepted_to[n] = rung
                else:
                    self._refused_from[n] = rung
                    refused += 1
        return refused

    def refused_there(self, rung: int) -> int:
        """Return how many are refused at a rung, each run at exactly that speed."""
        speed = speed_at(self._bench, rung)
        ran = self._bench.met(self._setup, self._order, speed, fresh=self._fresh)
        return sum(not one.met for one in ran)
