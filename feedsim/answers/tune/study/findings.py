"""What a search says of its knobs and of what is unsure: what matters, and what comes nearest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from feedsim.answers.tune.study.bench import Bench
from feedsim.answers.tune.study.closed import Looked
from feedsim.answers.tune.study.knob import AS_IS
from feedsim.answers.tune.study.look import SAME_RISK
from feedsim.answers.tune.study.optimum import least
from feedsim.answers.tune.study.results import Aim, Chosen, Nearest, UnsureCost
from feedsim.answers.tune.study.space import Setup, Space
from feedsim.criteria import Criteria
from feedsim.running.run import criteria_of

_TELLS = 1e-3
"""A share of the aim's value: less is no difference."""


def nearest(bench: Bench, found: Mapping[Setup, Looked]) -> Nearest:
    """Say which figure cannot be met, with the setup that comes nearest."""
    space = bench.space
    setup = least(space, found)
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


def unchanged(space: Space) -> list[Chosen]:
    """Leave each knob as it is, where no setup is accepted."""
    texts = space.texts(space.now)
    return [
        Chosen(knob.key, text, text, matters=True, worth=None, price=0.0, place=AS_IS)
        for knob, text in zip(space.knobs, texts, strict=True)
    ]


def chosen(bench: Bench, best: Setup) -> list[Chosen]:
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
                matters=matters([*looked, *bench.closed([best], robust=robust)], space.tune.aim),
                worth=None if as_is is None or value is None else _better(space, value, as_is),
                price=knob.price(best[number]),
                place=best[number],
            )
        )
    return found


def matters(looked: Sequence[Looked], aim: Aim) -> bool:
    """Tell whether what is aimed at depends on a knob, of which some values were looked at."""
    values = [one.value for one in looked if one.value is not None]
    if len(values) < len(looked):
        return True
    told = 3.0 * _TELLS if aim == "speed" else 0.02
    if aim == "jam_risk":
        values = [max(value, SAME_RISK) for value in values]
    return max(values) - min(values) > told * max(map(abs, values))


def _better(space: Space, value: float, other: float) -> float:
    return other - value if space.tune.aim in ("jam_risk", "spread") else value - other


def unsure_costs(bench: Bench, best: Setup) -> list[UnsureCost]:
    """Say what it would be worth were each unsure value sure to be as believed; most first."""
    space = bench.space
    value = bench.closed([best], robust=True)[0].value
    found = []
    for number, unsure in enumerate(space.unsure):
        known = bench.closed([best], robust=True, known=number)[0].value
        gain = None if known is None or value is None else _better(space, known, value)
        found.append(UnsureCost(unsure.key, known, gain))
    return sorted(found, key=lambda one: -(one.gain if one.gain is not None else -math.inf))
