"""The search for the best setup: closed forms find the region, the engine decides in it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from feedsim import __version__
from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked, draws_of
from feedsim.answers.tune.study.fresh import gain_interval, judge
from feedsim.answers.tune.study.look import SAME_RISK
from feedsim.answers.tune.study.optimum import cost, everywhere, step_by_step
from feedsim.answers.tune.study.results import Aim, Chosen, Judged, Nearest, Tuned, UnsureCost
from feedsim.answers.tune.study.rungs import Believed, Drawn, Rungs, highest, rung_of, speed_at
from feedsim.answers.tune.study.simulated import excess_of, pooled
from feedsim.answers.tune.study.space import AS_IS, Setup, Space
from feedsim.criteria import Criteria
from feedsim.metrics.intervals import Interval
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario

__all__ = ["tuned"]

_CANDIDATES = 4
_APART = 0.05
"""Candidates differ in some knob by this part of its range."""
_BESIDE = 16
"""Beside the best of them, setups that differ by this part of a range are tried as well."""
_FASTER = 2
"""By so many rungs one has to be faster on the same cards: less may be the luck of these."""
_WIDER = 8
"""So many setups that are good for what is believed are looked at for what is unsure."""
_NO_BETTER = 0.005
"""At a given speed: a spread better by half a per cent, or a jam risk by five, is no better."""
_TELLS = 1e-3
"""A share of the aim's value: less is no difference."""


@dataclass(frozen=True, slots=True)
class _Best:
    """A setup that a search has chosen; ``near_mm_s``: its speed there, None if there is none."""

    setup: Setup
    near_mm_s: float | None


def tuned(bench: Bench, scenario: Scenario) -> Tuned:
    """Search, and judge what was found on fresh cards.

    Parameters
    ----------
    scenario : Scenario
        Of the bench, with its tune table.
    """
    space = bench.space
    nominal: dict[Setup, Looked] = {}
    everywhere(bench, nominal)
    best = step_by_step(bench, _least(space, nominal), nominal, robust=False)
    bench.told("closed forms")
    now_near = _near_of(bench, space.now, robust=False)
    best_nominal = _decided(bench, nominal, best, robust=False)
    robust, best_robust, now_robust_near = {}, None, None
    if space.unsure:
        starts = [best_nominal.setup, *_spread(space, nominal, _WIDER)]
        starts = list(dict.fromkeys([*starts, space.now]))
        robust = dict(zip(starts, bench.closed(starts, robust=True), strict=True))
        best = step_by_step(bench, _least(space, robust), robust, robust=True)
        bench.told("closed forms for what is unsure")
        best_robust = _decided(bench, robust, best, robust=True)
        now_robust_near = _near_of(bench, space.now, robust=True)
    searched = bench.carriers
    bench.told("verdict")
    judged = _verdicts(bench, best_nominal, now_near_mm_s=now_near, robust=False)
    last = best_nominal
    if best_robust is not None:
        last = best_robust
        judged += _verdicts(bench, best_robust, now_near_mm_s=now_robust_near, robust=True)
    feasible = last.near_mm_s is not None
    chosen = tuple(_chosen(bench, last.setup)) if feasible else tuple(_unchanged(space))
    known = tuple(_unsure_costs(bench, last.setup)) if feasible and robust else ()
    return _gathered(
        bench,
        scenario,
        judged,
        chosen=chosen,
        unsure=known,
        nearest=None if feasible else _nearest(bench, robust or nominal),
        searched=searched,
    )


def _verdicts(
    bench: Bench, best: _Best, *, now_near_mm_s: float | None, robust: bool
) -> list[Judged]:
    """Judge the setup as it is, and the best one."""
    now = judge(bench, bench.space.now, near_mm_s=now_near_mm_s, robust=robust)
    found = judge(bench, best.setup, near_mm_s=best.near_mm_s, robust=robust)
    if best.setup == bench.space.now:  # on the same cards, which are not run again
        found = replace(found, carriers=max(found.carriers, now.carriers))
    return [now, found]


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


def _least(space: Space, found: Mapping[Setup, Looked]) -> Setup:
    return min(found, key=lambda setup: (cost(space, setup, found[setup]), setup))


def _spread(space: Space, found: Mapping[Setup, Looked], most: int) -> list[Setup]:
    """Return good setups that are not all alike, the best first."""
    ranked = sorted(found, key=lambda setup: (cost(space, setup, found[setup]), setup))
    chosen: list[Setup] = []
    for setup in ranked:
        if len(chosen) < most and all(_apart(space, setup, other) for other in chosen):
            chosen.append(setup)
    return [setup for setup in chosen if not found[setup].impossible]


def _apart(space: Space, one: Setup, other: Setup) -> bool:
    for knob, a, b in zip(space.knobs, one, other, strict=True):
        words = not knob.numbers or AS_IS in (a, b)
        if a != b and (words or abs(a - b) > _APART * len(knob.values)):
            return True
    return False


def _decided(bench: Bench, found: Mapping[Setup, Looked], best: Setup, *, robust: bool) -> _Best:
    """Let the engine decide among the best setups, on the cards of the search.

    All stays as it is, where that is accepted and nothing is faster by ``_FASTER`` rungs.
    """
    space = bench.space
    some = [best, *(s for s in _spread(space, found, _CANDIDATES) if _apart(space, s, best))]
    at = space.at_speed
    if at is not None:
        some = list(dict.fromkeys([*some[:_CANDIDATES], space.now]))
        return _decided_at(bench, some, at, robust=robust)
    found_best = _Best(best, None)
    for setup in some[:_CANDIDATES]:
        found_best = _challenged(bench, found_best, setup, robust=robust)
    for _ in range(2):
        before = found_best
        for setup in _beside(space, found_best.setup):
            found_best = _challenged(bench, found_best, setup, robust=robust)
        if found_best == before:
            break
    if found_best.setup == space.now:
        return found_best
    return _challenged(bench, found_best, space.now, robust=robust, by=1 - _FASTER)


def _beside(space: Space, setup: Setup) -> list[Setup]:
    """Return the setups a small part of each range away, within it."""
    found = []
    for number, knob in enumerate(space.knobs):
        last, stride = len(knob.values) - 1, max(1, len(knob.values) // _BESIDE)
        if setup[number] == AS_IS or not knob.numbers:
            continue
        for place in (setup[number] - stride, setup[number] + stride):
            there = (*setup[:number], place, *setup[number + 1 :])
            if 0 <= place <= last and space.affordable(there):
                found.append(there)
    return found


def _challenged(
    bench: Bench, best: _Best, setup: Setup, *, robust: bool, by: int = _FASTER
) -> _Best:
    """Return the best setup so far, or another one that is faster ``by`` so many rungs."""
    looked = bench.closed([setup], robust=robust)[0]
    if looked.impossible:
        return best
    rungs = _rungs(bench, setup, looked.value or bench.space.start_mm_s, robust=robust)
    if best.near_mm_s is None:
        found = highest(rungs.accepted, rung_of(bench, looked.value or bench.space.start_mm_s))
        return best if found is None else _Best(setup, speed_at(bench, found))
    faster = rung_of(bench, best.near_mm_s * (1.0 + _TELLS)) + by
    if not rungs.accepted(faster):
        return best
    found = highest(rungs.accepted, faster)
    return best if found is None else _Best(setup, speed_at(bench, found))


def _rungs(bench: Bench, setup: Setup, near_mm_s: float, *, robust: bool) -> Rungs:
    if robust:
        return Drawn(bench, setup, fresh=0, near_mm_s=near_mm_s)
    return Believed(bench, setup, fresh=False)


def _near_of(bench: Bench, setup: Setup, *, robust: bool) -> float | None:
    """Return near which speed a setup is accepted, in closed form where it is there."""
    if bench.space.at_speed is not None:
        return bench.space.at_speed
    looked = bench.closed([setup], robust=robust)[0]
    return looked.value or bench.space.start_mm_s


def _decided_at(bench: Bench, some: Sequence[Setup], speed_mm_s: float, *, robust: bool) -> _Best:
    """Return the best of some setups at a given speed, those that are accepted alone.

    All stays as it is, where that is accepted and nothing is better by more than ``_NO_BETTER``.
    """
    ranked = []
    for place, setup in enumerate(some):
        looked = bench.closed([setup], robust=robust)[0]
        if looked.impossible:
            continue
        seen = _seen_at(bench, setup, speed_mm_s, robust=robust)
        if seen is not None:
            value = looked.value or 0.0 if bench.space.tune.aim == "window" else seen
            there = Looked(value, 1.0, "missed", 0.0)
            ranked.append((cost(bench.space, setup, there), place, setup))
    if not ranked:
        return _Best(some[0], None)
    least = min(ranked)
    as_is = [row for row in ranked if row[2] == bench.space.now and row[0] <= least[0] + _NO_BETTER]
    return _Best((as_is or [least])[0][2], speed_mm_s)


def _seen_at(bench: Bench, setup: Setup, speed_mm_s: float, *, robust: bool) -> float | None:
    """Return jam risk or spread (mm) on the cards of the search; None where not accepted."""
    jams = bench.space.tune.aim == "jam_risk"
    if robust:
        ran = bench.met(setup, range(len(draws_of(bench.space))), speed_mm_s)
        may_fail = (1.0 - bench.space.tune.assurance) * len(ran)
        if sum(not one.met for one in ran) > may_fail + 1e-9:
            return None
        each = [one.jam_risk if jams else one.variance_mm2 for one in ran]
        mean = math.fsum(each) / len(each)
        return mean if jams else math.sqrt(mean)
    believed = Believed(bench, setup, fresh=False)
    if not believed.met(speed_mm_s):
        return None
    runs = believed.runs(speed_mm_s)
    if jams:
        return excess_of(runs, believed.criteria)["jam_risk"][1]
    return math.sqrt(max(pooled(feeder)[1] for feeder in zip(*runs, strict=True)))


def _nearest(bench: Bench, found: Mapping[Setup, Looked]) -> Nearest:
    space = bench.space
    setup = _least(space, found)
    looked = found[setup]
    criteria: Criteria = criteria_of(space.scenario)
    limits = {
        "missed": criteria.missed,
        "jam_risk": criteria.jam_risk,
        "within_tolerance": 1.0 - criteria.within_tolerance,
    }
    limit = limits.get(looked.figure, 0.0)
    texts = space.texts(setup)
    return Nearest(texts, looked.figure, looked.share, limit, looked.speed_mm_s)


def _unchanged(space: Space) -> list[Chosen]:
    texts = space.texts(space.now)
    return [
        Chosen(knob.key, text, text, matters=True, worth=None, price=0.0, place=AS_IS)
        for knob, text in zip(space.knobs, texts, strict=True)
    ]


def _chosen(bench: Bench, best: Setup) -> list[Chosen]:
    """Say of each knob what it is set to, and whether anything depends on it."""
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
                matters=_matters([*looked, *bench.closed([best], robust=robust)], space.tune.aim),
                worth=None if as_is is None or value is None else _better(space, value, as_is),
                price=knob.price(best[number]),
                place=best[number],
            )
        )
    return found


def _matters(looked: Sequence[Looked], aim: Aim) -> bool:
    values = [one.value for one in looked if one.value is not None]
    if len(values) < len(looked):
        return True
    told = 3.0 * _TELLS if aim == "speed" else 0.02
    if aim == "jam_risk":
        values = [max(value, SAME_RISK) for value in values]
    return max(values) - min(values) > told * max(map(abs, values))


def _better(space: Space, value: float, other: float) -> float:
    return other - value if space.tune.aim in ("jam_risk", "spread") else value - other


def _unsure_costs(bench: Bench, best: Setup) -> list[UnsureCost]:
    """Say what it would be worth were each unsure value sure to be as believed; most first."""
    space = bench.space
    value = bench.closed([best], robust=True)[0].value
    found = []
    for number, unsure in enumerate(space.unsure):
        known = bench.closed([best], robust=True, known=number)[0].value
        gain = None if known is None or value is None else _better(space, known, value)
        found.append(UnsureCost(unsure.key, known, gain))
    return sorted(found, key=lambda one: -(one.gain if one.gain is not None else -math.inf))
