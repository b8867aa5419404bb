"""What the line as it is believed to be does with a setup, on cards that no search has seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, stdev
from typing import NamedTuple

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.simulated import RunCounts, excess_of, variances
from feedsim.answers.tune.study.space import Setup
from feedsim.metrics.intervals import Interval
from feedsim.metrics.tally import shares_of
from feedsim.running.run import criteria_of

_FIRST, _RUNS = 3_000_000, 10
_CARRIERS = (1000, 5000)
"""In each run: as many as the scenario's runs have, within these."""


class RiskAndSpread(NamedTuple):
    """Jam risk (a share) and spread (mm) of the worst feeder, with their 95 % intervals.

    ``met``: whether all acceptance figures are met, as counted.
    """

    jam_risk: float | None
    jam_risk_interval: Interval | None
    sd_mm: float | None
    sd_interval_mm: Interval | None
    met: bool


def counted(bench: Bench, points: Sequence[tuple[Setup, float]]) -> list[list[RunCounts]]:
    """Run setups at line speeds (mm/s), run r on the same cards for all."""
    low, high = _CARRIERS
    carriers = max(low, min(high, bench.space.scenario.run.carriers))
    return bench.counted(points, first=_FIRST, runs=_RUNS, carriers=carriers)


def seen(bench: Bench, runs: Sequence[RunCounts]) -> RiskAndSpread:
    """Say what some runs of one setup at one speed come to."""
    if not runs:
        return RiskAndSpread(None, None, None, None, met=False)
    criteria = criteria_of(bench.space.scenario)
    worst = excess_of(runs, criteria)
    feeders = list(zip(*runs, strict=True))
    risks = [
        shares_of([one.tally for one in feeder], criteria, confidence=0.95).jam_risk
        for feeder in feeders
    ]
    risk = max(risks, key=lambda one: one.share or 0.0)
    each = variances(runs)
    sd, ends = _spread(each) if all(map(math.isfinite, each)) else (None, None)
    placed = all(any(one.placed for one in feeder) for feeder in feeders)
    met = placed and all(times <= 1.0 for times, _ in worst.values())
    return RiskAndSpread(risk.share, risk.ci95, sd, ends, met=met)


def _spread(variances_mm2: Sequence[float]) -> tuple[float, Interval]:
    """Return the standard deviation of runs and its 95 % interval, by Student's t over the runs."""
    from scipy.special import stdtrit

    runs, mean = len(variances_mm2), fmean(variances_mm2)
    arm = float(stdtrit(runs - 1, 0.975)) * stdev(variances_mm2) / math.sqrt(runs)
    ends = max(0.0, mean - arm), mean + arm
    return math.sqrt(mean), Interval(math.sqrt(ends[0]), math.sqrt(ends[1]))
