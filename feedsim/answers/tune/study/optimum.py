"""The region of the best setups, in closed form, by evolution and then step by step."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import product
from typing import Any

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked
from feedsim.answers.tune.study.knob import AS_IS, Knob
from feedsim.answers.tune.study.setup_at_speed import SAME_RISK
from feedsim.answers.tune.study.space import Setup, Space
from feedsim.draws.streams import stream

_ALL = 240
"""Up to this many setups, all are looked at."""
_MEMBERS, _GENERATIONS = 32, 12
_PER_CHANGE = 2e-4
"""The least gain for which a knob is turned, as a share of the speed."""
_NOT_ACCEPTED, _IMPOSSIBLE = 10.0, 1e3
_WORDS = 8
"""Values of a list of words that are tried side by side."""
_ROUNDS = 40


def cost(space: Space, setup: Setup, looked: Looked) -> float:
    """Return the function to minimize: the aim's value, relative to the line as it is.

    Setups that are not accepted come after all that are, nearer ones first, impossible ones last.
    Of equal setups the one with fewer knobs turned is better.
    """
    turned = sum(place != AS_IS for place in setup)
    if looked.impossible:
        return _IMPOSSIBLE
    if looked.value is None:
        return _NOT_ACCEPTED + math.log1p(min(looked.times, 1e12))
    aim = space.tune.aim
    if aim == "speed":
        value = -looked.value / space.start_mm_s
    elif aim == "window":
        value = -looked.value
    elif aim == "jam_risk":
        value = math.log(max(looked.value, SAME_RISK)) / 10.0
    else:
        value = math.log(max(looked.value, 1e-6))
    return value + _PER_CHANGE * abs(value) * turned


def least(space: Space, found: Mapping[Setup, Looked]) -> Setup:
    """Return the setup that costs least."""
    return min(found, key=lambda setup: (cost(space, setup, found[setup]), setup))


def everywhere(bench: Bench, found: dict[Setup, Looked]) -> None:
    """Look at setups all over a space, for what is believed; add what is found."""
    space = bench.space
    lists = [range(AS_IS, len(knob.values)) for knob in space.knobs]
    if math.prod(map(len, lists)) <= _ALL:
        _look(bench, [setup for setup in product(*lists) if space.affordable(setup)], found)
        return
    _evolved(bench, found)


def _evolved(bench: Bench, found: dict[Setup, Looked]) -> None:
    """Let setups evolve; a whole generation is looked at together."""
    import numpy as np
    from scipy.optimize import Bounds, differential_evolution

    space = bench.space

    def costs(columns: Any) -> Any:
        members = np.asarray(columns).reshape(len(space.knobs), -1).T
        setups = [tuple(round(float(place)) for place in row) for row in members]
        _look(bench, [setup for setup in setups if space.affordable(setup)], found)
        row = [
            cost(space, setup, found[setup]) if setup in found else _IMPOSSIBLE for setup in setups
        ]
        return np.array(row)

    last = [max(len(knob.values) - 1.0, 0.5) for knob in space.knobs]
    differential_evolution(
        costs,
        Bounds([0.0] * len(last), last),
        x0=np.array(nearest_places(space), dtype=float),
        integrality=np.ones(len(last), dtype=bool),
        popsize=-(-_MEMBERS // len(last)),
        maxiter=_GENERATIONS,
        tol=1e-3,
        polish=False,
        updating="deferred",
        vectorized=True,
        seed=int(stream(space.scenario.seed, "tune.evolution").integers(0, 2**32)),
    )


def nearest_places(space: Space) -> Setup:
    """Return the setup of all values nearest to what they are now."""
    return tuple(knob.nearest() for knob in space.knobs)


def _look(
    bench: Bench, setups: Sequence[Setup], found: dict[Setup, Looked], *, robust: bool = False
) -> None:
    new = [setup for setup in dict.fromkeys(setups) if setup not in found]
    found.update(zip(new, bench.closed(new, robust=robust), strict=True))


def step_by_step(
    bench: Bench,
    start: Setup,
    found: dict[Setup, Looked],
    *,
    robust: bool,
) -> Setup:
    """Go from a setup to better neighbours until there is none, strides halved down to a step.

    Each knob is turned alone, either way, and back to its present value; turns that help alone are
    also tried together (after Hooke and Jeeves 1961, Journal of the ACM 8:212-229). What is looked
    at is added to ``found``.
    """
    space, here = bench.space, start

    def costs(setups: Sequence[Setup]) -> dict[Setup, float]:
        some = [s for s in setups if space.affordable(s)]
        _look(bench, some, found, robust=robust)
        return {setup: cost(space, setup, found[setup]) for setup in some}

    part = 4
    least = costs([here]).get(here, math.inf)
    for _ in range(_ROUNDS):
        alone = costs(list(_neighbours(space, here, part)))
        better = [setup for setup, value in alone.items() if value < least]
        both = _together(here, better, alone)
        if both is not None:
            alone |= costs([both])
        best = min(alone, key=lambda setup: (alone[setup], setup), default=here)
        if alone.get(best, math.inf) < least:
            here, least = best, alone[best]
        elif all(_stride(knob, part) == 1 for knob in space.knobs):
            break
        else:
            part *= 2
    return here


def _stride(knob: Knob, part: int) -> int:
    return max(1, len(knob.values) // part)


def _neighbours(space: Space, here: Setup, part: int) -> list[Setup]:
    places = nearest_places(space)
    found = []
    for number, knob in enumerate(space.knobs):
        place = places[number] if here[number] == AS_IS else here[number]
        last, stride = len(knob.values) - 1, _stride(knob, part)
        near = [AS_IS, max(0, place - stride), min(last, place + stride)]
        if not knob.numbers and last < _WORDS:
            near = [AS_IS, *range(last + 1)]
        if here[number] == AS_IS:
            near.append(place)
        found += [(*here[:number], to, *here[number + 1 :]) for to in near if to != here[number]]
    return list(dict.fromkeys(found))


def _together(here: Setup, better: Sequence[Setup], costs: Mapping[Setup, float]) -> Setup | None:
    """Return the setup with the best turn of each knob that helps alone."""
    turned = list(here)
    best: dict[int, float] = {}
    for setup in better:
        number = next(n for n, place in enumerate(setup) if place != here[n])
        if costs[setup] < best.get(number, math.inf):
            best[number], turned[number] = costs[setup], setup[number]
    return tuple(turned) if len(best) > 1 else None
