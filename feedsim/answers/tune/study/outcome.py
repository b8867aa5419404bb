"""What the best setup is worth: terms taken back, fronts and windows, in fresh runs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields
from functools import partial
from typing import NamedTuple

from feedsim.answers.tune.study.after import (
    Against,
    ChangeWorth,
    Front,
    FrontPoint,
    KnobWindow,
    Tuning,
)
from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.knob import AS_IS, Along, along, stepped
from feedsim.answers.tune.study.results import LESS_IS_BETTER, Tuned
from feedsim.answers.tune.study.setup_at_speed import SAME_RISK, SetupAtSpeed, descend
from feedsim.answers.tune.study.simulated import RunCounts, accepted, jam_risk, sd_of, variances
from feedsim.answers.tune.study.space import Setup
from feedsim.answers.tune.study.terms import Worth, fastest, figure_of, most_of, worth
from feedsim.answers.tune.study.windows import Turning, moved, windows
from feedsim.metrics.intervals import Interval
from feedsim.running.run import criteria_of

_SLOWER = 0.95
"""Share of the fastest speed at which windows are given; at that speed they have no width."""
_FURTHER = 1.3
"""How far a front goes beyond a given speed."""
_FIRST, _RUNS = 3_000_000, 10
_CARRIERS = (1000, 5000)
"""Bounds on the carriers of each run; between them the scenario's number."""
_SetupsAt = Callable[[Sequence[Setup], float], Sequence[SetupAtSpeed]]
"""Setups and a line speed (mm/s) → each in closed form."""

_SPEEDS = 7
_SLOWEST, _CLOSER = 0.6, 1.5
_REFUSED = 1e6
_SAME_MM = 1e-4
"""A difference below this counts as none; else a search would follow noise."""


def outcome(bench: Bench, tuned: Tuned) -> Tuning:
    """Find what each change buys, the best at other speeds, and how far each knob may turn.

    Empty if no setup is accepted. Runs are of the believed line, with random numbers that no
    search has seen.
    """
    searched = {f.name: getattr(tuned, f.name) for f in fields(tuned)}
    if not tuned.feasible or tuned.best.value is None:
        return Tuning(**searched, terms=(), windows=(), fronts=())
    space = bench.space
    best = tuned.best_places
    bench.told("what each change buys")
    terms = tuple(_terms(bench, best))
    bench.told("windows")
    at = space.at_speed
    if at is None:
        at = _SLOWER * (tuned.best.verdict_speed_mm_s or tuned.best.value)
    found = _windows(bench, best, at)
    bench.told("fronts")
    found_to = tuned.best_nominal.verdict_speed_mm_s or tuned.best.value
    end = _FURTHER * space.at_speed if space.at_speed else found_to
    speeds = _front_speeds(space.at_speed or space.start_mm_s, end)
    fronts = tuple(_front(bench, best, speeds, against) for against in ("jam_risk", "spread"))
    return Tuning(**searched, terms=terms, windows=found, fronts=fronts)


def _terms(bench: Bench, best: Setup) -> Iterator[ChangeWorth]:
    """Yield a term for each knob that the best setup changes."""
    space = bench.space
    changed = [
        n
        for n, k in enumerate(space.knobs)
        if k.text(best[n]) != k.text(AS_IS) and best[n] != AS_IS
    ]
    setups = [best, *((*best[:n], AS_IS, *best[n + 1 :]) for n in changed)]
    closed = bench.closed(setups)
    robust = bench.closed(setups, robust=True) if space.unsure else []
    measured = robust or closed
    values = _worths(bench, setups)
    less = space.tune.aim in LESS_IS_BETTER
    for place, number in enumerate(changed, start=1):
        knob, impossible = space.knobs[number], closed[place].impossible
        without = None if impossible else values[place]
        size, interval = worth(values[0], without, less=less)
        if space.tune.aim == "window":
            size, interval = _difference(measured[0].value, measured[place].value), None
        kept = _difference(robust[0].value, robust[place].value) if robust else None
        yield ChangeWorth(
            key=knob.key,
            now=knob.text(AS_IS),
            best=knob.text(best[number]),
            without=measured[place].value if space.tune.aim == "window" else _value(without),
            worth=size,
            interval=interval,
            possible=not impossible,
            robust_worth=-kept if less and kept is not None else kept,
        )


def _difference(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def _value(one: Worth | None) -> float | None:
    return None if one is None else one.value


def _worths(bench: Bench, setups: Sequence[Setup]) -> list[Worth | None]:
    """Return the aim's value of each setup, all with the same random numbers; no window has one."""
    space = bench.space
    count = partial(_counted, bench)
    if space.tune.aim == "window":
        return [None] * len(setups)
    closed = bench.closed(setups)
    there = [n for n, one in enumerate(closed) if not one.impossible]
    found: list[Worth | None] = [None] * len(setups)
    if space.at_speed is None:
        starts = [closed[n].value or space.start_mm_s for n in there]
        ran = fastest(
            [setups[n] for n in there], starts, most_of(criteria_of(space.scenario)), count
        )
    else:
        aim: Against = "jam_risk" if space.tune.aim == "jam_risk" else "spread"
        points = [(setups[n], space.at_speed) for n in there]
        ran = [figure_of(runs, aim) for runs in count(points)]
    for n, one in zip(there, ran, strict=True):
        found[n] = one
    return found


def _windows(bench: Bench, best: Setup, speed_mm_s: float) -> tuple[KnobWindow, ...]:
    space = bench.space
    turning = Turning.of([along(knob) for knob in space.knobs], best)
    robust = bool(space.unsure)
    found = windows(
        turning,
        lambda setups: bench.there(setups, speed_mm_s, robust=robust),
        speed_mm_s=speed_mm_s,
        allowed=space.affordable,
    )

    def met(setups: Sequence[Setup]) -> list[bool]:
        ran = _counted(bench, [(setup, speed_mm_s) for setup in setups])
        return [seen(bench, runs).met for runs in ran]

    return found if robust else moved(turning, found, met)


def _front(bench: Bench, best: Setup, speeds_mm_s: Sequence[float], against: Against) -> Front:
    space = bench.space
    setups = front_setups(
        [along(knob) for knob in space.knobs],
        best,
        speeds_mm_s,
        against,
        bench.there,
        allowed=space.affordable,
    )
    points = [*zip(setups, speeds_mm_s, strict=True), *((space.now, v) for v in speeds_mm_s)]
    rows = [
        _point(space.texts(setup), speed, against, seen(bench, runs))
        for (setup, speed), runs in zip(points, _counted(bench, points), strict=True)
    ]
    return Front(against, tuple(rows[: len(setups)]), tuple(rows[len(setups) :]))


def _point(
    texts: tuple[str, ...], speed_mm_s: float, against: Against, found: _RiskAndSpread
) -> FrontPoint:
    risk = against == "jam_risk"
    return FrontPoint(
        line_speed_mm_s=speed_mm_s,
        values=texts,
        value=found.jam_risk if risk else found.sd_mm,
        interval=found.jam_risk_interval if risk else found.sd_interval_mm,
        met=found.met,
    )


class _RiskAndSpread(NamedTuple):
    """Jam risk (a share) and spread (mm) of the worst feeder, with their 95 % intervals.

    ``met``: whether all acceptance figures are met, by counts.
    """

    jam_risk: float | None
    jam_risk_interval: Interval | None
    sd_mm: float | None
    sd_interval_mm: Interval | None
    met: bool


def _counted(bench: Bench, points: Sequence[tuple[Setup, float]]) -> list[list[RunCounts]]:
    """Run setups at line speeds (mm/s), run r with the same random numbers for all."""
    low, high = _CARRIERS
    carriers = max(low, min(high, bench.space.scenario.run.carriers))
    return bench.counted(points, first=_FIRST, runs=_RUNS, carriers=carriers)


def seen(bench: Bench, runs: Sequence[RunCounts]) -> _RiskAndSpread:
    """Sum up runs of one setup at one speed."""
    if not runs:
        return _RiskAndSpread(None, None, None, None, met=False)
    criteria, each = criteria_of(bench.space.scenario), variances(runs)
    sd, ends = sd_of(each) if all(map(math.isfinite, each)) else (None, None)
    risk, risk_ends = jam_risk(runs, criteria, confidence=0.95)
    return _RiskAndSpread(risk, risk_ends, sd, ends, met=accepted(runs, criteria))


def _front_speeds(now_mm_s: float, best_mm_s: float) -> list[float]:
    """Return the line speeds (mm/s) of a front: from the slower of two, or less, to the faster.

    The two are the line speed, and the fastest that is accepted. The speeds lie closer together
    towards the fastest, where risk and spread rise.
    """
    low, high = min(now_mm_s, _SLOWEST * best_mm_s), max(now_mm_s, best_mm_s)
    parts = [1.0 - k / (_SPEEDS - 1) for k in range(_SPEEDS)]
    return [high - (high - low) * part**_CLOSER for part in parts]


def front_setups(
    knobs: Sequence[Along],
    start: Setup,
    speeds_mm_s: Sequence[float],
    against: Against,
    looks: _SetupsAt,
    *,
    allowed: Callable[[Setup], bool] = lambda _: True,
) -> list[Setup]:
    """Return the setup with the least jam risk or spread at each rising speed, in closed form.

    Accepted setups go before refused ones; if none is accepted, the nearest. ``start``: the best
    one at the fastest of the speeds; the search goes on from each speed's setup. ``allowed``:
    whether a setup may be chosen.
    """
    at = tuple(each.step_of(place) for each, place in zip(knobs, start, strict=True))
    steps, found = [len(each) for each in knobs], []
    for speed in reversed(speeds_mm_s):

        def cost(many: Sequence[tuple[int, ...]], speed: float = speed) -> list[float]:
            setups = [stepped(knobs, one) for one in many]
            return [
                _cost(look, against) if allowed(setup) else math.inf
                for setup, look in zip(setups, looks(setups, speed), strict=True)
            ]

        at, _ = descend(cost, at, steps)
        found.append(stepped(knobs, at))
    return found[::-1]


def _cost(look: SetupAtSpeed, against: Against) -> float:
    if look.times > 1.0:
        return _REFUSED * look.times
    if against == "jam_risk":
        return max(look.jam_risk, SAME_RISK)
    return _SAME_MM * round(look.sd_mm / _SAME_MM)
