"""How near each value that can be chosen is to the edge of acceptance, in closed form.

Each value is turned a little either way, all others held, and the closed forms evaluated at one
line speed. A value refused there is near its edge; one that gains room could be better chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from feedsim.answers.limit.study.closed import excess_at
from feedsim.errors import FeedsimError
from feedsim.measures import QuantityError, canonical, measure
from feedsim.metrics.machine_settings import TYPED
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import KINDS, Kind
from feedsim.scenario import Scenario, override, scenario_to_dict
from feedsim.scenario.tree import path_of, value_at

CHOSEN = (
    "controller.motion_cycle",
    "eye_to_placement",
    "insert_eye_to_placement",
    "insert.gap",
    "clutch.ramp_in",
    "clutch.ramp_out",
    "servo.loop_gain",
    "settings.stage_position",
)
"""Keys still free on most lines; those without ``controller`` are each feeder's."""

_LINE = ("controller",)
_WHATEVER_IS_TYPED = ("insert.gap", "servo.loop_gain")
"""Keys still free where distances and leads are typed in: those were solved for the rest."""
_STEP = 0.05
_HALVINGS = 12
_ROOM = 0.8


@dataclass(frozen=True, slots=True)
class LastAccepted:
    """A value, and how far it may be turned with all others held.

    Attributes
    ----------
    key : str
        Path of the key.
    up : bool
        Whether it is turned up.
    now, edge : str
        The value, and the last one that the closed forms accept, as one would write them.
    """

    key: str
    up: bool
    now: str
    edge: str
    kind: Kind = field(metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class Helping:
    """A value that gains room when turned.

    Attributes
    ----------
    key : str
        Path of the key.
    now, better : str
        The value, and one on the side with more room, as one would write them.
    times_now, times : float
        The worst acceptance figure over what is allowed, with either.
    """

    key: str
    now: str
    better: str
    times_now: float
    times: float
    kind: Kind = field(metadata=LEFT_OUT)


def near_edges(scenario: Scenario, speed_mm_s: float) -> Iterator[LastAccepted]:
    """Yield the values that are refused a twentieth higher or lower, line speed among them.

    None if the closed forms refuse the line as it is. Of keys, ``CHOSEN`` of each feeder.
    """
    if excess_at(scenario, speed_mm_s).refused:
        return

    def faster(times: float) -> bool:
        return excess_at(scenario, times * speed_mm_s).refused

    if faster(1.0 + _STEP):
        edge = canonical(_edge(faster, 1.0 + _STEP) * speed_mm_s, "speed")
        yield LastAccepted("line.speed", True, canonical(speed_mm_s, "speed"), edge, "speed")
    for key, size, kind in _values(scenario, None):

        def refused(times: float, key: str = key, size: float = size, kind: Kind = kind) -> bool:
            found = _times(scenario, speed_mm_s, key, canonical(times * size, kind))
            return found is not None and found > 1.0

        for end in (1.0 - _STEP, 1.0 + _STEP):
            if refused(end):
                edge = canonical(_edge(refused, end) * size, kind)
                yield LastAccepted(key, end > 1.0, canonical(size, kind), edge, kind)


def helping(
    scenario: Scenario, speed_mm_s: float, *, keys: Sequence[str] | None = None
) -> Iterator[Helping]:
    """Yield the values with more room a twentieth to one side, and less to the other.

    None if the closed forms accept the line at that speed. Where ticks lock, the room is a sawtooth
    against any value: both sides may help there, or neither.
    """
    now = excess_at(scenario, speed_mm_s).times
    if now <= 1.0:
        return
    for key, size, kind in _values(scenario, keys):
        texts = [canonical(by * size, kind) for by in (1.0 - _STEP, 1.0 + _STEP)]
        sides = [_times(scenario, speed_mm_s, key, text) for text in texts]
        for place, there in enumerate(sides):
            other = sides[1 - place]
            if there is not None and there <= _ROOM * now and (other is None or other >= now):
                yield Helping(key, canonical(size, kind), texts[place], now, there, kind)


def _times(scenario: Scenario, speed_mm_s: float, key: str, text: str) -> float | None:
    """Return the worst figure over what is allowed; None where such a line is impossible."""
    try:
        return excess_at(override(scenario, [f"{key}={text}"]), speed_mm_s).times
    except FeedsimError:
        return None


def _edge(refused: Callable[[float], bool], beyond: float) -> float:
    """Return the last factor of a value, from 1 towards a refused one, that is accepted."""
    inside = 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + beyond)
        inside, beyond = (inside, middle) if refused(middle) else (middle, beyond)
    return inside


def _values(scenario: Scenario, keys: Sequence[str] | None) -> Iterator[tuple[str, float, Kind]]:
    """Yield the keys whose value is a quantity other than 0, with its size."""
    plain = scenario_to_dict(scenario)
    for key in _keys(scenario) if keys is None else keys:
        value = value_at(plain, path_of(key))
        try:
            size, kind = measure(value if isinstance(value, str) else "0 mm", *KINDS)
        except QuantityError:
            continue
        if 0.0 < size < float("inf"):
            yield key, size, kind


def _keys(scenario: Scenario) -> Iterator[str]:
    for key in CHOSEN:
        if key.partition(".")[0] in _LINE:
            yield key
    for number, feeder in enumerate(scenario.feeder):
        solved = len(feeder.settings.automatic) == len(TYPED)
        for key in CHOSEN:
            if key.partition(".")[0] not in _LINE and (solved or key in _WHATEVER_IS_TYPED):
                yield f"feeder.{number}.{key}"
