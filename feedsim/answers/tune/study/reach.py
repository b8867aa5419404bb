"""How far one knob may be turned before closed forms refuse the line, the others held."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from feedsim.answers.tune.study.judge import Judge
from feedsim.answers.tune.study.line import ClosedLine
from feedsim.answers.tune.study.space import Draw, Setup, Space
from feedsim.errors import FeedsimError

Draws = Sequence[Draw | None]
"""Machines of which enough have to be accepted; ``(None,)``: the one that is believed."""
_BELIEVED: Draws = (None,)


def narrowest(space: Space, setup: Setup, speed_mm_s: float, draws: Draws = _BELIEVED) -> float:
    """Return how far the knob with the least room can go, as a share of its range."""
    rooms = []
    for number, knob in enumerate(space.knobs):
        last = len(knob.values) - 1
        if not knob.numbers or not last:
            continue
        found = window(space, setup, number, speed_mm_s, draws)
        if found is None:
            return 0.0
        place = setup[number] if setup[number] >= 0 else knob.nearest()
        rooms.append(min(place - found[0], found[1] - place) / last)
    return min(rooms, default=0.0)


def window(
    space: Space, setup: Setup, knob: int, speed_mm_s: float, draws: Draws = _BELIEVED
) -> tuple[int, int] | None:
    """Return the places of one knob between which a setup stays accepted, the others held.

    In closed form; None where it is not accepted as it is. A knob that stays as it is has no place
    of its own: its list's nearest place is where it begins. Many machines are asked from where the
    believed one ends inwards, since to refuse takes few of them.
    """
    place, last = setup[knob], len(space.knobs[knob].values) - 1
    if place < 0:
        place = space.knobs[knob].nearest()

    def there(where: int) -> Setup:
        return (*setup[:knob], where, *setup[knob + 1 :])

    def believed(where: int) -> bool:
        return room(space, there(where), speed_mm_s) <= 1.0

    if room(space, there(place), speed_mm_s, draws) > 1.0:
        return None
    ends = _end(believed, place, 0), _end(believed, place, last)
    if draws == _BELIEVED:
        return ends

    def inwards(end: int) -> int:
        def accepted(where: int) -> bool:
            return room(space, there(where), speed_mm_s, draws) <= 1.0

        return end if accepted(end) else _between(accepted, place, end)

    return inwards(ends[0]), inwards(ends[1])


def _end(accepted: Callable[[int], bool], place: int, last: int) -> int:
    """Return the last accepted place towards an end, strides doubled on the way and then halved."""
    towards, inside, stride = (1 if last > place else -1), place, 1
    while inside != last:
        there = inside + towards * min(stride, abs(last - inside))
        if not accepted(there):
            outside = there
            break
        inside, stride = there, 2 * stride
    else:
        return last
    return _between(accepted, inside, outside)


def _between(accepted: Callable[[int], bool], inside: int, outside: int) -> int:
    """Return the last accepted place between one that is and one that is not."""
    while abs(outside - inside) > 1:
        middle = (outside + inside) // 2
        inside, outside = (middle, outside) if accepted(middle) else (inside, middle)
    return inside


def room(space: Space, setup: Setup, speed_mm_s: float, draws: Draws = _BELIEVED) -> float:
    """Return how many times what is allowed the worst figure comes to, in closed form.

    Below 1 it is accepted; infinite where there can be no such line. Of several machines that of
    the one on which it depends.
    """
    try:
        line = ClosedLine(space, setup)
    except FeedsimError:
        return math.inf
    return Judge(space, line, draws).worst(speed_mm_s).times
