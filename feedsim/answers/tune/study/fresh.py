"""The verdict on a setup: in runs and on drawn machines that no search has seen.

The winner of a search is flattered by the random numbers that it won with (Smith and Winkler 2006,
Management Science 52:311-322), so a search passes on only the setup and where to look.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.results import Judged, PartAccepted, Verdict
from feedsim.answers.tune.study.rungs import Believed, Drawn, highest, rung_of, speed_at
from feedsim.answers.tune.study.simulated import jam_risk, mean_of, sd_of, variances
from feedsim.answers.tune.study.space import Setup
from feedsim.metrics.intervals import Interval, clopper_pearson, each_of, most_if_none
from feedsim.metrics.sample_sizes import size_allowing
from feedsim.metrics.tally import Sureness

_VERDICT, _END = 0.05, 0.0125
"""Chances of error: of a verdict, and of each end of an interval; a gain has two intervals."""
_FIGURES = 3
_ABOVE = 4
"""Rungs above the closed forms' speed at which a verdict begins."""
_BELOW = 16
"""Rungs tried, downwards, for one at which all machines themselves are run."""


def judge(bench: Bench, setup: Setup, *, near_mm_s: float | None, robust: bool) -> Judged:
    """Return the verdict on a setup, near the speed that the search found, if any.

    ``robust``: judge for what is unsure, else for what is believed.
    """
    space, before = bench.space, bench.carriers
    found: _Found = None, None, "refused", None, None
    if space.at_speed is not None:
        found = (_drawn_at if robust else _believed_at)(bench, setup, space.at_speed)
    elif near_mm_s is not None:
        found = (_drawn_speed if robust else _believed_speed)(bench, setup, near_mm_s)
    return Judged(space.texts(setup), space.price(setup), *found, bench.carriers - before)


_Found = tuple[float | None, Interval | None, Verdict, float | None, PartAccepted | None]


def machines_needed(assurance: float) -> int:
    """Return how many machines, all accepted, show that a share of all is accepted.

    By :func:`feedsim.metrics.sample_sizes.size_allowing`, no refused one allowed.
    """
    return size_allowing(0, 1.0 - assurance, confidence=1.0 - _END)


def _drawn_speed(bench: Bench, setup: Setup, near_mm_s: float) -> _Found:
    assurance = bench.space.tune.assurance
    n = max(bench.space.tune.draws, machines_needed(assurance))
    most = [_most_refused(n, assurance, error) for error in (_VERDICT, _END)]
    # the fast side first: few machines are enough to refuse there, and the others are accepted at
    # all slower rungs too, so they are not run again
    counts = [_least_refused(n, assurance) - 1, bench.space.may_fail(n), *most]
    ranks = [max(0, count) for count in counts]
    machines = Drawn(bench, setup, fresh=n, near_mm_s=near_mm_s, ranks=ranks)

    def most_refused(count: int, rung: int) -> bool:
        return machines.refused(rung, at_most=count) <= count

    found: list[int | None] = []
    for count, bound in zip(counts, machines.bounds_mm_s, strict=True):
        if count < 0 or None in found:
            found.append(None)
            continue
        start = rung_of(bench, bound or near_mm_s)
        start = start + _ABOVE if not found else min(start, found[-1] or 0)
        found.append(highest(partial(most_refused, count), start))
    high, middle, accepted, low = found
    accepted, drawn = _told(machines, accepted, most_refused=most[0])
    return _speeds(bench, middle, accepted, low, high, drawn)


def _told(
    machines: Drawn, rung: int | None, *, most_refused: int
) -> tuple[int | None, PartAccepted | None]:
    """Return the rung at or just below one at which enough are accepted, and how many are.

    Each machine is run at the rung returned: one accepted by luck at a faster rung may fail there.
    """
    for lower in range(_BELOW if rung is not None else 0):
        there = (rung or 0) - lower
        refused = machines.refused_there(there)
        if refused <= most_refused:
            return there, _part(machines.n - refused, machines.n)
    return None, None


def _speeds(
    bench: Bench,
    middle: int | None,
    accepted: int | None,
    low: int | None,
    high: int | None,
    drawn: PartAccepted | None,
) -> _Found:
    """Return rungs as speeds; an edge lies between its rung and the next."""
    value = None if middle is None else speed_at(bench, middle + 0.5)
    interval = None
    if value is not None:
        least = 0.0 if low is None else speed_at(bench, low)
        most = value if high is None else speed_at(bench, high + 1)
        interval = Interval(min(least, value), max(most, value))
    if accepted is not None:
        return value, interval, "accepted", speed_at(bench, accepted), drawn
    return value, interval, "refused" if middle is None else "open", None, None


def _part(accepted: int, n: int) -> PartAccepted:
    interval = clopper_pearson(accepted, n)
    return PartAccepted(accepted, n, interval or Interval(0.0, 1.0))


def _most_refused(n: int, assurance: float, error: float) -> int:
    """Return how many of n may be refused and still show the assurance; -1: not even none."""
    most = -1
    while most < n:
        found = clopper_pearson(n - most - 1, n, confidence=1.0 - 2.0 * error)
        if found is None or found.low < assurance:
            break
        most += 1
    return most


def _least_refused(n: int, assurance: float) -> int:
    """Return the least refused of n that surely puts the share accepted below the assurance."""
    for refused in range(n + 1):
        found = clopper_pearson(n - refused, n, confidence=1.0 - 2.0 * _END)
        if found is not None and found.high < assurance:
            return refused
    return n + 1


def _confidence(bench: Bench, error: float) -> float:
    """Return the confidence of each interval for all figures to hold together."""
    return each_of(_FIGURES * len(bench.space.scenario.feeder), 1.0 - 2.0 * error)


def _believed_speed(bench: Bench, setup: Setup, near_mm_s: float) -> _Found:
    believed = Believed(bench, setup, fresh=True)

    def is_(rung: int, sure: Sureness, error: float) -> bool:
        confidence = _confidence(bench, error)
        return believed.sureness(speed_at(bench, rung), confidence=confidence) is sure

    start = rung_of(bench, near_mm_s)
    middle = highest(believed.accepted, start)
    from_ = start if middle is None else middle
    accepted = highest(lambda rung: is_(rung, Sureness.ACCEPTED, 0.5 * _VERDICT), from_)
    low = highest(lambda rung: is_(rung, Sureness.ACCEPTED, _END), from_)
    high = highest(lambda rung: not is_(rung, Sureness.REFUSED, _END), from_)
    return _speeds(bench, middle, accepted, low, high, None)


def _believed_at(bench: Bench, setup: Setup, speed_mm_s: float) -> _Found:
    believed = Believed(bench, setup, fresh=True)
    confidence = _confidence(bench, 0.5 * _VERDICT)
    sure = believed.sureness(speed_mm_s, confidence=confidence)
    runs = believed.runs(speed_mm_s)
    verdict: Verdict = "open"
    if sure is not Sureness.OPEN:
        verdict = "accepted" if sure is Sureness.ACCEPTED else "refused"
    if bench.space.tune.aim == "jam_risk":
        each = each_of(len(bench.space.scenario.feeder), 1.0 - 2.0 * _END)
        risk = jam_risk(runs, believed.criteria, confidence=each)
        return *risk, verdict, speed_mm_s, None
    return *_mean(bench, setup, variances(runs), robust=False), verdict, speed_mm_s, None


def _drawn_at(bench: Bench, setup: Setup, speed_mm_s: float) -> _Found:
    assurance = bench.space.tune.assurance
    n = max(bench.space.tune.draws, machines_needed(assurance))
    ran = bench.met(setup, range(n), speed_mm_s, fresh=n)
    refused = sum(not one.met for one in ran)
    verdict: Verdict = "open"
    if refused <= _most_refused(n, assurance, _VERDICT):
        verdict = "accepted"
    elif refused >= _least_refused(n, assurance):
        verdict = "refused"
    jams = bench.space.tune.aim == "jam_risk"
    each = [one.jam_risk if jams else one.variance_mm2 for one in ran]
    return *_mean(bench, setup, each, robust=True), verdict, speed_mm_s, _part(n - refused, n)


def _mean(
    bench: Bench, setup: Setup, each: Sequence[float], *, robust: bool
) -> tuple[float | None, Interval | None]:
    """Return the mean of the aim's value over runs, or machines, with its interval."""
    aim = bench.space.tune.aim
    if aim == "window":
        return bench.closed([setup], robust=robust)[0].value, None
    if not each or not all(map(math.isfinite, each)):
        return None, None
    if aim == "spread":
        return sd_of(each, confidence=1.0 - 2.0 * _END)
    mean, ends = mean_of(each, confidence=1.0 - 2.0 * _END)
    if not mean:  # none seen does not mean none: pool all carriers
        ends = Interval(0.0, most_if_none(len(each) * bench.space.tune.carriers, error=_END))
    return mean, ends


def gain_interval(one: Judged, other: Judged) -> Interval | None:
    """Return the interval of one value less another, 95 % at least.

    Each end of each interval is wrong in at most 1.25 %, so a difference in at most 5 %
    (Bonferroni).
    """
    if one.interval is None or other.interval is None:
        return None
    return Interval(one.interval.low - other.interval.high, one.interval.high - other.interval.low)
