"""The search for the best setup: closed forms find the region, the engine decides in it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import get_args

from feedsim import __version__
from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked
from feedsim.answers.tune.study.decided import Best, decided, good_ones, near_of
from feedsim.answers.tune.study.fresh import gain_interval, judge
from feedsim.answers.tune.study.knob import AS_IS
from feedsim.answers.tune.study.optimum import everywhere, least, step_by_step
from feedsim.answers.tune.study.results import (
    LESS_IS_BETTER,
    Aim,
    Chosen,
    Judged,
    Nearest,
    Tuned,
    UnsureCost,
)
from feedsim.answers.tune.study.setup_at_speed import SAME_RISK
from feedsim.answers.tune.study.space import Setup, Space
from feedsim.criteria import Figure
from feedsim.metrics.intervals import Interval
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario

_WIDER = 8
"""Number of the best nominal setups that are tried again with the unsure values drawn."""
_TELLS = 1e-3
"""A share of the aim's value: less is no difference."""


def tuned(bench: Bench, scenario: Scenario) -> Tuned:
    """Search, and judge the result in fresh runs."""
    space = bench.space
    nominal: dict[Setup, Looked] = {}
    bench.told("closed forms")
    everywhere(bench, nominal)
    best = step_by_step(bench, least(space, nominal), nominal, robust=False)
    bench.told("simulation", best=nominal[best].value)
    now_near = near_of(bench, space.now, robust=False)
    best_nominal = decided(bench, nominal, best, robust=False)
    robust, best_robust, now_robust_near = {}, None, None
    if space.unsure:
        bench.told("closed forms of what is unsure")
        starts = [best_nominal.setup, *good_ones(space, nominal, _WIDER)]
        starts = list(dict.fromkeys([*starts, space.now]))
        robust = dict(zip(starts, bench.closed(starts, robust=True), strict=True))
        best = step_by_step(bench, least(space, robust), robust, robust=True)
        bench.told("simulation of what is unsure", best=robust[best].value)
        best_robust = decided(bench, robust, best, robust=True)
        now_robust_near = near_of(bench, space.now, robust=True)
    searched = bench.carriers
    bench.told("verdict")
    judged = _verdicts(bench, best_nominal, now_near_mm_s=now_near, robust=False)
    last = best_nominal
    if best_robust is not None:
        last = best_robust
        judged += _verdicts(bench, best_robust, now_near_mm_s=now_robust_near, robust=True)
    feasible = last.near_mm_s is not None
    knobs = _chosen(bench, last.setup) if feasible else _unchanged(space)
    known = tuple(_unsure_costs(bench, last.setup)) if feasible and robust else ()
    return _gathered(
        bench,
        scenario,
        judged,
        chosen=tuple(knobs),
        unsure=known,
        nearest=None if feasible else _nearest(bench, robust or nominal),
        searched=searched,
    )


def _verdicts(
    bench: Bench, best: Best, *, now_near_mm_s: float | None, robust: bool
) -> list[Judged]:
    """Judge the present setup, and the best one."""
    now = judge(bench, bench.space.now, near_mm_s=now_near_mm_s, robust=robust)
    if best.setup == bench.space.now and best.near_mm_s is not None:
        return [now, now]
    return [now, judge(bench, best.setup, near_mm_s=best.near_mm_s, robust=robust)]


def _gathered(
    bench: Bench,
    scenario: Scenario,
    judged: Sequence[Judged],
    *,
    chosen: tuple[Chosen, ...],
    unsure: tuple[UnsureCost, ...],
    nearest: Nearest | None,
    searched: int,
) -> Tuned:
    space = bench.space
    now, best = judged[:2]
    now_robust, best_robust = judged[2:] or (None, None)
    gain, gain_ends = _difference(space, best_robust or best, now_robust or now)
    price, price_ends = (
        (None, None) if best_robust is None else _difference(space, best, best_robust)
    )
    return Tuned(
        feedsim=__version__,
        title=scenario.title,
        scenario=scenario,
        aim=space.tune.aim,
        speed_mm_s=space.at_speed,
        assurance=space.tune.assurance,
        knobs=chosen,
        feasible=nearest is None,
        nearest=nearest,
        now_nominal=now,
        best_nominal=best,
        now_robust=now_robust,
        best_robust=best_robust,
        gain=gain,
        gain_interval=gain_ends,
        price_of_not_knowing=price,
        price_interval=price_ends,
        unsure=unsure,
        carriers_search=searched,
        carriers_verdict=bench.carriers - searched,
        looked_at=bench.looked,
        impossible=bench.impossible,
    )


def _difference(space: Space, one: Judged, other: Judged) -> tuple[float | None, Interval | None]:
    """Return how much better one is than another, and its interval."""
    if space.tune.aim in LESS_IS_BETTER:
        one, other = other, one
    if one.value is None or other.value is None:
        return None, None
    return one.value - other.value, gain_interval(one, other)


def _nearest(bench: Bench, found: Mapping[Setup, Looked]) -> Nearest:
    """Say which figure cannot be met, with the setup that comes nearest."""
    space = bench.space
    setup = least(space, found)
    looked = found[setup]
    criteria = criteria_of(space.scenario)
    limits: dict[str, float] = {figure: criteria.largest(figure) for figure in get_args(Figure)}
    limit = limits.get(looked.figure, 0.0)
    texts = space.texts(setup)
    return Nearest(texts, looked.figure, looked.share, limit, looked.speed_mm_s)


def _unchanged(space: Space) -> list[Chosen]:
    """Return each knob unchanged, for no accepted setup."""
    texts = space.texts(space.now)
    return [
        Chosen(knob.key, text, text, matters=True, worth=None, price=0.0, place=AS_IS)
        for knob, text in zip(space.knobs, texts, strict=True)
    ]


def _chosen(bench: Bench, best: Setup) -> list[Chosen]:
    """Return each knob's value, and whether anything depends on it."""
    space = bench.space
    robust = bool(space.unsure)
    value = bench.closed([best], robust=robust)[0].value
    found = []
    for number, knob in enumerate(space.knobs):
        last = len(knob.values) - 1
        if knob.numbers:
            places = {AS_IS, 0, last // 4, last // 2, 3 * last // 4, last}
        else:
            places = {AS_IS, *range(min(last, 8) + 1)}
        row = [(*best[:number], place, *best[number + 1 :]) for place in sorted(places)]
        looked = bench.closed(row, robust=robust)
        as_is = looked[0].value
        found.append(
            Chosen(
                key=knob.key,
                now=knob.text(AS_IS),
                best=knob.text(best[number]),
                matters=matters([*looked, *bench.closed([best], robust=robust)], space.tune.aim),
                worth=None if as_is is None or value is None else _better(space, value, as_is),
                price=knob.price(best[number]),
                place=best[number],
            )
        )
    return found


def matters(looked: Sequence[Looked], aim: Aim) -> bool:
    """Return whether the aim depends on a knob, given looks at some of its values."""
    values = [one.value for one in looked if one.value is not None]
    if len(values) < len(looked):
        return True
    told = 3.0 * _TELLS if aim == "speed" else 0.02
    if aim == "jam_risk":
        values = [max(value, SAME_RISK) for value in values]
    return max(values) - min(values) > told * max(map(abs, values))


def _better(space: Space, value: float, other: float) -> float:
    return other - value if space.tune.aim in LESS_IS_BETTER else value - other


def _unsure_costs(bench: Bench, best: Setup) -> list[UnsureCost]:
    """Return the gain if each unsure value were surely as believed; the largest first."""
    space = bench.space
    value = bench.closed([best], robust=True)[0].value
    found = []
    for number, unsure in enumerate(space.unsure):
        known = bench.closed([best], robust=True, known=number)[0].value
        gain = None if known is None or value is None else _better(space, known, value)
        found.append(UnsureCost(unsure.key, known, gain))
    return sorted(found, key=lambda one: -(one.gain if one.gain is not None else -math.inf))
