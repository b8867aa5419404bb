"""A setup at one speed in closed form, and steps towards better ones."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from feedsim.answers.tune.study.closed import space_in_worker
from feedsim.answers.tune.study.line import ClosedLine, Judge, draws_of
from feedsim.answers.tune.study.space import Setup
from feedsim.errors import FeedsimError
from feedsim.settings.mechanisms import MECHANISMS

_MOST_ROUNDS = 60
SAME_RISK = 1e-7
"""Jam risks below this count as equal; else a search would follow noise."""


class SetupAtSpeed(NamedTuple):
    """A setup at a speed, in closed form.

    ``times``: the worst figure of the worst feeder over its limit; above 1 it is refused; inf: no
        such line is possible.
    ``binds``: the mechanism with the largest part in that, on the believed line.
    ``jam_risk``: share of its feed cycles.
    ``sd_mm``: standard deviation of its placement.
    """

    times: float
    binds: str
    jam_risk: float
    sd_mm: float


def setups_at(
    scenario: dict[str, Any], setups: Sequence[Setup], speed_mm_s: float, robust: bool
) -> list[SetupAtSpeed]:
    """Look at setups of a scenario with its tune table at a speed, in any process.

    ``robust``: ``times`` is for what is unsure, else for what is believed.
    """
    space, found = space_in_worker(scenario), []
    for setup in map(tuple, setups):
        try:
            line = ClosedLine(space, setup)
            excess, rows = line.excess(speed_mm_s), line.rows(speed_mm_s)
            times = excess.times
            if robust and space.unsure:
                times = Judge(space, line, draws_of(space)).worst(speed_mm_s).times
            parts = [
                (share, m.name)
                for row in rows
                for share, m in zip(row, MECHANISMS, strict=True)
                if m.figure == excess.figure
            ]
            look = SetupAtSpeed(
                times, max(parts)[1], line.jam_risk(speed_mm_s), line.spread(speed_mm_s)
            )
        except FeedsimError:
            look = SetupAtSpeed(math.inf, "", 1.0, math.inf)
        found.append(look)
    return found


def descend(
    values: Callable[[Sequence[tuple[int, ...]]], Sequence[float]],
    start: tuple[int, ...],
    steps: Sequence[int],
    *,
    enough: float = -math.inf,
) -> tuple[tuple[int, ...], float]:
    """Step along one knob at a time to the least value, in ever shorter steps, until none helps.

    A pattern search on whole numbers (Hooke and Jeeves 1961, from memory): each round asks for the
    places a stride away along every knob and takes the best; if none is better the strides are
    halved, down to 1. ``values``: places of all knobs → their values. ``start``: a place along each
    knob. ``steps``: number of places of each knob; 1: it is held. A value of ``enough`` or less
    ends it. Returns the best places and their value.
    """
    here, best = start, values([start])[0]
    strides = [max(1, count // 4) if count > 1 else 0 for count in steps]
    for _ in range(_MOST_ROUNDS):
        if best <= enough:
            break
        around = [
            (*here[:k], there, *here[k + 1 :])
            for k, stride in enumerate(strides)
            if stride
            for there in (max(0, here[k] - stride), min(steps[k] - 1, here[k] + stride))
            if there != here[k]
        ]
        found = values(around) if around else []
        least = min(range(len(around)), key=lambda n: (found[n], n), default=None)
        if least is not None and found[least] < best:
            here, best = around[least], found[least]
            continue
        if max(strides, default=0) <= 1:
            break
        strides = [(stride + 1) // 2 if stride > 1 else stride for stride in strides]
    return here, best
