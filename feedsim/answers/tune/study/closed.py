"""Setups in closed form: the aim's value, or how far they are from being accepted."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.answers.tune.study.knob import last_accepted
from feedsim.answers.tune.study.line import ClosedLine, Judge, draws_of
from feedsim.answers.tune.study.space import Draw, Setup, Space, space_of
from feedsim.errors import FeedsimError
from feedsim.scenario import scenario_from_dict
from feedsim.settings.shares_by_speed import crossing

_WORST = 12
"""Number of worst drawn machines near the edge that are asked for it before all are."""
_FROM = 0.8
"""Share of the speed accepted for what is believed: where to begin for what is unsure."""
_STRIDE = 1.06
_AS_GOOD_AS_FOUND = 1e-3
_SLOWEST, _FASTEST = 1.0 / 16.0, 64.0

_kept: tuple[dict[str, Any], Space] | None = None
"""The last search of this process."""
_Draws = Sequence[Draw | None]
"""Machines of which enough must be accepted; ``(None,)``: the believed one."""
_BELIEVED: _Draws = (None,)


@dataclass(frozen=True, slots=True)
class Looked:
    """A setup in closed form.

    ``value``: the aim's: speed (mm/s), jam risk (a share), spread (mm), window (a share of the
        ranges); None if the setup is not accepted.
    ``times``: the worst figure over its limit, if the setup is not accepted at the slowest speed,
        or at the given one, ``speed_mm_s``; infinite if no such line is possible.
    ``figure``: which that is, "" if no such line is possible.
    ``share``: of that figure.
    """

    value: float | None
    times: float
    figure: str
    share: float
    speed_mm_s: float | None = None

    @property
    def impossible(self) -> bool:
        """Whether no such line is possible."""
        return not self.figure


_IMPOSSIBLE = Looked(None, math.inf, "", 1.0)


def space_in_worker(scenario: dict[str, Any]) -> Space:
    """Return the space of a scenario, in any process, read once."""
    global _kept  # noqa: PLW0603 - to read and check it takes longer than most calls
    if _kept is None or _kept[0] != scenario:
        _kept = scenario, space_of(scenario_from_dict(scenario))
    return _kept[1]


def looked_at(
    scenario: dict[str, Any], setups: Sequence[Setup], robust: bool, known: int = -1
) -> list[Looked]:
    """Look at setups of a scenario with its tune table in closed form, in any process.

    ``robust``: they must be accepted for what is unsure, not only for what is believed. ``known``:
    number of the one unsure value that is taken as believed.
    """
    space = space_in_worker(scenario)
    return [_looked(space, tuple(setup), robust=robust, known=known) for setup in setups]


def _looked(space: Space, setup: Setup, *, robust: bool, known: int) -> Looked:
    try:
        line = ClosedLine(space, setup)
    except FeedsimError:
        return _IMPOSSIBLE
    draws = [space.sure(draw, known) for draw in draws_of(space)] if robust else [None]
    judge = Judge(space, line, draws)
    speed = space.at_speed
    if speed is None:
        return _fastest(space, line, judge)
    worst = judge.worst(speed)
    if worst.times > 1.0:
        return Looked(None, worst.times, worst.figure, worst.share, speed)
    value = _value(space, setup, line, judge)
    return Looked(value, worst.times, worst.figure, worst.share, speed)


def _fastest(space: Space, line: ClosedLine, judge: Judge) -> Looked:
    """Return the highest accepted speed; for many machines by way of their worst."""
    if len(judge.draws) == 1:
        return _before_refused(space, judge, space.start_mm_s)
    alone = _before_refused(space, Judge(space, line, (None,)), space.start_mm_s)
    at = alone.value or space.start_mm_s
    worst = Judge(space, line, judge.worst_at(at)[:_WORST], judge.may_fail)
    found = _before_refused(space, worst, _FROM * at)
    if found.value is None or judge.worst(found.value).times <= 1.0:
        return found
    return _before_refused(space, judge, found.value)


def _before_refused(space: Space, judge: Judge, speed: float) -> Looked:
    """Return the highest speed before a refused one, going up or down from a speed."""
    start = space.start_mm_s
    here = judge.worst(speed)
    up = here.times <= 1.0
    while _SLOWEST < speed / start < _FASTEST:
        there = judge.worst(following := speed * _STRIDE if up else speed / _STRIDE)
        if (there.times <= 1.0) is not up:
            low, high = (speed, following) if up else (following, speed)
            figure = (there if up else here).figure
            return Looked(_edge(judge, low, high), 1.0, figure, 1.0)
        speed, here = following, there
    return Looked(speed if up else None, here.times, here.figure, here.share, speed)


def _edge(judge: Judge, low: float, high: float) -> float:
    """Return the highest accepted speed between an accepted and a refused one."""
    if len(judge.draws) == 1:
        edge = crossing(lambda v: judge.worst(v).times, low, high, to=_AS_GOOD_AS_FOUND)
        return edge * (1.0 - 0.5 * _AS_GOOD_AS_FOUND)
    while high - low > _AS_GOOD_AS_FOUND * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if judge.worst(middle).times <= 1.0 else (low, middle)
    return low


def _value(space: Space, setup: Setup, line: ClosedLine, judge: Judge) -> float:
    speed = space.at_speed or 0.0
    if space.tune.aim == "window":
        return _narrowest(space, setup, speed, tuple(judge.draws))
    measure = line.jam_risk if space.tune.aim == "jam_risk" else line.spread
    found = []
    for draw in judge.draws:
        try:
            found.append(measure(speed, draw))
        except FeedsimError:
            continue  # one of the few that may fail
    if space.tune.aim == "jam_risk":
        return math.fsum(found) / len(found)
    return math.sqrt(math.fsum(sd * sd for sd in found) / len(found))


def bound_speed(line: ClosedLine, draw: Draw | None, *, around: float) -> float:
    """Return the speed up to which one machine is accepted in closed form; 0.0: at none.

    ``around``: where to begin (mm/s).
    """
    try:
        speed, up = around, line.excess(around, draw).times <= 1.0
        while 0.25 < speed / around < 4.0:
            following = speed * _STRIDE if up else speed / _STRIDE
            if (line.excess(following, draw).times <= 1.0) is not up:
                low, high = sorted((speed, following))
                return crossing(
                    lambda v: line.excess(v, draw).times, low, high, to=_AS_GOOD_AS_FOUND
                )
            speed = following
    except FeedsimError:
        return 0.0
    return speed if up else 0.0


def _narrowest(space: Space, setup: Setup, speed_mm_s: float, draws: _Draws = _BELIEVED) -> float:
    """Return the room of the knob with the least, as a share of its range."""
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
    space: Space, setup: Setup, knob: int, speed_mm_s: float, draws: _Draws = _BELIEVED
) -> tuple[int, int] | None:
    """Return the places of one knob between which a setup stays accepted, the others held.

    In closed form; None if it is not accepted as it is. A knob that stays as it is has no place: it
    begins at the nearest one of its list. Many machines are asked inwards from the believed one's
    end, since a refusal takes few of them.
    """
    place, last = setup[knob], len(space.knobs[knob].values) - 1
    if place < 0:
        place = space.knobs[knob].nearest()

    def there(where: int) -> Setup:
        return (*setup[:knob], where, *setup[knob + 1 :])

    def believed(where: int) -> bool:
        return _room(space, there(where), speed_mm_s) <= 1.0

    if _room(space, there(place), speed_mm_s, draws) > 1.0:
        return None
    ends = _end(believed, place, 0), _end(believed, place, last)
    if draws == _BELIEVED:
        return ends

    def inwards(end: int) -> int:
        def accepted(where: int) -> bool:
            return _room(space, there(where), speed_mm_s, draws) <= 1.0

        return end if accepted(end) else last_accepted(accepted, place, end)

    return inwards(ends[0]), inwards(ends[1])


def _end(accepted: Callable[[int], bool], place: int, last: int) -> int:
    """Return the last accepted place towards an end, by strides doubled and then halved."""
    towards, inside, stride = (1 if last > place else -1), place, 1
    while inside != last:
        there = inside + towards * min(stride, abs(last - inside))
        if not accepted(there):
            return last_accepted(accepted, inside, there)
        inside, stride = there, 2 * stride
    return last


def _room(space: Space, setup: Setup, speed_mm_s: float, draws: _Draws = _BELIEVED) -> float:
    """Return the worst figure over its limit, in closed form.

    Below 1 it is accepted; infinite if no such line is possible. Of several machines that of the
    decisive one.
    """
    try:
        line = ClosedLine(space, setup)
    except FeedsimError:
        return math.inf
    return Judge(space, line, draws).worst(speed_mm_s).times
