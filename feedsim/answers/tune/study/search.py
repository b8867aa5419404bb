"""The search for the best setup: closed forms find the region, the engine decides in it."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim import __version__
from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked
from feedsim.answers.tune.study.decided import Best, decided, good_ones, near_of
from feedsim.answers.tune.study.findings import chosen, nearest, unchanged, unsure_costs
from feedsim.answers.tune.study.fresh import gain_interval, judge
from feedsim.answers.tune.study.optimum import everywhere, least, step_by_step
from feedsim.answers.tune.study.results import Chosen, Judged, Nearest, Tuned, UnsureCost
from feedsim.answers.tune.study.space import Setup, Space
from feedsim.metrics.intervals import Interval
from feedsim.scenario import Scenario

_WIDER = 8
"""So many setups that are good for what is believed are looked at for what is unsure."""


def tuned(bench: Bench, scenario: Scenario) -> Tuned:
    """Search, and judge what was found on fresh cards.

    Parameters
    ----------
    scenario : Scenario
        Of the bench, with its tune table.
    """
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
    knobs = chosen(bench, last.setup) if feasible else unchanged(space)
    known = tuple(unsure_costs(bench, last.setup)) if feasible and robust else ()
    return _gathered(
        bench,
        scenario,
        judged,
        chosen=tuple(knobs),
        unsure=known,
        nearest=None if feasible else nearest(bench, robust or nominal),
        searched=searched,
    )


def _verdicts(
    bench: Bench, best: Best, *, now_near_mm_s: float | None, robust: bool
) -> list[Judged]:
    """Judge the setup as it is, and the best one."""
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
    price: tuple[float | None, Interval | None] = (None, None)
    if best_robust is not None:
        price = _difference(space, best, best_robust)
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
        price_of_not_knowing=price[0],
        price_interval=price[1],
        unsure=unsure,
        carriers_search=searched,
        carriers_verdict=bench.carriers - searched,
        looked_at=bench.looked,
        impossible=bench.impossible,
    )


def _difference(space: Space, one: Judged, other: Judged) -> tuple[float | None, Interval | None]:
    """Return by how much one is better than another, and its interval."""
    if space.tune.aim in ("jam_risk", "spread"):
        one, other = other, one
    if one.value is None or other.value is None:
        return None, None
    return one.value - other.value, gain_interval(one, other)
