"""The engine's choice among the best setups in closed form, with the random numbers of a search."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked
from feedsim.answers.tune.study.knob import AS_IS
from feedsim.answers.tune.study.line import draws_of
from feedsim.answers.tune.study.optimum import cost
from feedsim.answers.tune.study.rungs import Believed, Drawn, Rungs, highest, rung_of, speed_at
from feedsim.answers.tune.study.simulated import excess_of, variance
from feedsim.answers.tune.study.space import Setup, Space

_CANDIDATES = 4
_APART = 0.05
"""The least difference of candidates in some knob, as a share of its range."""
_BESIDE = 16
"""The step to the setups tried beside the best, as a part of each range."""
_FASTER = 2
"""Rungs by which one must be faster with the same random numbers: less may be luck."""
_NO_BETTER = 0.005
"""At a given speed: less than half a per cent of spread, or five of jam risk, is no gain."""
_TELLS = 1e-3
"""A share of the speed: less is no difference."""
_SAID = {False: "simulation", True: "simulation of what is unsure"}


@dataclass(frozen=True, slots=True)
class Best:
    """A setup chosen by a search; ``near_mm_s``: its speed there, if any."""

    setup: Setup
    near_mm_s: float | None


def good_ones(space: Space, found: Mapping[Setup, Looked], most: int) -> list[Setup]:
    """Return good setups that differ, the best first."""
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


def decided(bench: Bench, found: Mapping[Setup, Looked], best: Setup, *, robust: bool) -> Best:
    """Let the engine decide among the best setups, with the random numbers of the search.

    The present setup is kept if it is accepted and nothing is faster by ``_FASTER`` rungs.
    """
    space = bench.space
    some = [best, *(s for s in good_ones(space, found, _CANDIDATES) if _apart(space, s, best))]
    at = space.at_speed
    if at is not None:
        some = list(dict.fromkeys([*some[:_CANDIDATES], space.now]))
        return _decided_at(bench, some, at, robust=robust)
    found_best = Best(best, None)
    for setup in some[:_CANDIDATES]:
        found_best = _challenged(bench, found_best, setup, robust=robust)
        bench.told(_SAID[robust], best=found_best.near_mm_s)
    for _ in range(2):
        before = found_best
        for setup in _beside(space, found_best.setup):
            found_best = _challenged(bench, found_best, setup, robust=robust)
            bench.told(_SAID[robust], best=found_best.near_mm_s)
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


def _challenged(bench: Bench, best: Best, setup: Setup, *, robust: bool, by: int = _FASTER) -> Best:
    """Return the best setup so far, or another one that is faster ``by`` some rungs."""
    looked = bench.closed([setup], robust=robust)[0]
    if looked.impossible:
        return best
    rungs = _rungs(bench, setup, looked.value or bench.space.start_mm_s, robust=robust)
    if best.near_mm_s is None:
        found = highest(rungs.accepted, rung_of(bench, looked.value or bench.space.start_mm_s))
        return best if found is None else Best(setup, speed_at(bench, found))
    faster = rung_of(bench, best.near_mm_s * (1.0 + _TELLS)) + by
    if not rungs.accepted(faster):
        return best
    found = highest(rungs.accepted, faster)
    return best if found is None else Best(setup, speed_at(bench, found))


def _rungs(bench: Bench, setup: Setup, near_mm_s: float, *, robust: bool) -> Rungs:
    if robust:
        return Drawn(bench, setup, fresh=0, near_mm_s=near_mm_s)
    return Believed(bench, setup, fresh=False)


def near_of(bench: Bench, setup: Setup, *, robust: bool) -> float | None:
    """Return the approximate highest speed of a setup, in closed form if it is accepted there."""
    if bench.space.at_speed is not None:
        return bench.space.at_speed
    looked = bench.closed([setup], robust=robust)[0]
    return looked.value or bench.space.start_mm_s


def _decided_at(bench: Bench, some: Sequence[Setup], speed_mm_s: float, *, robust: bool) -> Best:
    """Return the best accepted one of some setups at a given speed.

    The present setup is kept if it is accepted and nothing is better by more than ``_NO_BETTER``.
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
            ranked.append((cost(bench.space, setup, there), place))
    if not ranked:
        return Best(some[0], None)
    least, best = min(ranked)
    near = (place for value, place in ranked if value <= least + _NO_BETTER)
    as_is = (place for place in near if some[place] == bench.space.now)
    return Best(some[next(as_is, best)], speed_mm_s)


def _seen_at(bench: Bench, setup: Setup, speed_mm_s: float, *, robust: bool) -> float | None:
    """Return jam risk or spread (mm) in the runs of the search; None if not accepted."""
    jams = bench.space.tune.aim == "jam_risk"
    if robust:
        ran = bench.met(setup, range(len(draws_of(bench.space))), speed_mm_s)
        if sum(not one.met for one in ran) > bench.space.may_fail(len(ran)):
            return None
        each = [one.jam_risk if jams else one.variance_mm2 for one in ran]
        mean = math.fsum(each) / len(each)
        return mean if jams else math.sqrt(mean)
    believed = Believed(bench, setup, fresh=False)
    if not believed.met(speed_mm_s):
        return None
    runs = believed.runs(speed_mm_s)
    if jams:
        return excess_of(runs, believed.criteria)["jam_risk"].share
    return math.sqrt(variance(runs))
