"""What may be chosen, what is unsure, and the resulting lines.

A *setup* is a place on each knob's list, -1 for a knob that stays as it is. Settings are computed
for the believed line and typed in on the machine that was drawn.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from feedsim.answers.tune.study.knob import AS_IS, Knob
from feedsim.draws.unsure import SEARCH, VERDICT, deviations
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.measures import canonical
from feedsim.quantities import Kind
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, override, scenario_from_dict, scenario_to_dict
from feedsim.scenario.keys import KeyType
from feedsim.scenario.tune import TuneKeys
from feedsim.scenario.tune_checks import leaf_of, raw_of
from feedsim.scenario.tune_values import KnobValue, Off, had, in_unit_of, kind_of, number_of, off

Setup = tuple[int, ...]
Changes = tuple[tuple[str, object], ...]
LINE_SPEED = "line.speed"


@dataclass(frozen=True, slots=True)
class Unsure:
    """Something known only roughly.

    ``low``, ``high``: its largest errors (internal unit); ``chosen``: the number of the knob that
    chooses it, else -1.
    """

    key: str
    kind: Kind | None
    believed: float
    low: float
    high: float
    law: str
    chosen: int


@dataclass(frozen=True, slots=True)
class Draw:
    """The error of each unsure value of one machine, in their order."""

    off: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Space:
    """The space of a search; ``scenario``: as it is, without its tune table."""

    scenario: Scenario
    tune: TuneKeys
    knobs: tuple[Knob, ...]
    unsure: tuple[Unsure, ...]
    plain: dict[str, Any] = field(repr=False)

    @property
    def now(self) -> Setup:
        """The setup in which all stays as it is."""
        return (AS_IS,) * len(self.knobs)

    @property
    def at_speed(self) -> float | None:
        """The line speed (mm/s) of the aim; None if the aim is speed itself."""
        if self.tune.aim == "speed":
            return None
        return self.tune.speed or self.scenario.line.speed

    @property
    def start_mm_s(self) -> float:
        """Where the search for a speed begins."""
        return self.scenario.line.speed

    def may_fail(self, machines: int) -> int:
        """Return how many of some machines may be refused: the share beyond the assurance."""
        return math.floor((1.0 - self.tune.assurance) * machines + 1e-9)

    def price(self, setup: Setup) -> float:
        """Return what a setup costs."""
        return sum(knob.price(place) for knob, place in zip(self.knobs, setup, strict=True))

    def affordable(self, setup: Setup) -> bool:
        """Return whether it costs no more than may be spent."""
        return self.tune.spend is None or self.price(setup) <= self.tune.spend

    def changes(self, setup: Setup) -> Changes:
        """Return keys and values of the knobs that change."""
        pairs = zip(self.knobs, setup, strict=True)
        return tuple((knob.key, knob.values[place]) for knob, place in pairs if place != AS_IS)

    def texts(self, setup: Setup) -> tuple[str, ...]:
        """Return each knob's value as one would write it."""
        return tuple(k.text(place) for k, place in zip(self.knobs, setup, strict=True))

    def believed(self, setup: Setup) -> Scenario:
        """Return the line with a setup, as believed; FeedsimError if no such line is possible."""
        return _changed(self, setup, ())

    def drawn(self, setup: Setup, draw: Draw) -> Scenario:
        """Return the line with a setup, if a draw is true; FeedsimError if none is possible."""
        offs = []
        for unsure, by in zip(self.unsure, draw.off, strict=True):
            if unsure.key != LINE_SPEED:
                offs.append((unsure.key, _text(unsure, self._middle(unsure, setup) + by)))
        return _changed(self, setup, tuple(offs))

    def speed_off(self, draw: Draw) -> float:
        """Return how much faster (mm/s) than believed the line runs."""
        pairs = zip(self.unsure, draw.off, strict=True)
        return sum(by for unsure, by in pairs if unsure.key == LINE_SPEED)

    def sure(self, draw: Draw, number: int) -> Draw:
        """Return a draw in which one unsure value, by number, is as believed; -1: none is."""
        pairs = enumerate(zip(self.unsure, draw.off, strict=True))
        return Draw(
            tuple(min(max(0.0, u.low), u.high) if n == number else by for n, (u, by) in pairs)
        )

    def _middle(self, unsure: Unsure, setup: Setup) -> float:
        if unsure.chosen < 0 or setup[unsure.chosen] == AS_IS:
            return unsure.believed
        return self.knobs[unsure.chosen].numbers[setup[unsure.chosen]]

    def draws(self, n: int, *, fresh: bool = False) -> tuple[Draw, ...]:
        """Return machines drawn from what is unsure; fresh ones are those of the verdict."""
        kind = VERDICT if fresh else SEARCH
        return _drawn(self.unsure, self.scenario.seed, n, kind)


def _text(unsure: Unsure, value: float) -> float | str:
    return value if unsure.kind is None else canonical(value, unsure.kind)


@lru_cache(maxsize=512)
def _changed(space: Space, setup: Setup, offs: Changes) -> Scenario:
    changes = dict((*space.changes(setup), *offs))
    texts = [f"{key}={json.dumps(value)}" for key, value in changes.items()]
    return scenario_from_dict(space.plain, overrides=texts)


@lru_cache(maxsize=8)
def _drawn(unsure: tuple[Unsure, ...], seed: int, n: int, kind: str) -> tuple[Draw, ...]:
    rows = [
        deviations(seed, kind, one.key, n=n, low=one.low, high=one.high, law=one.law)
        for one in unsure
    ]
    return tuple(Draw(offs) for offs in zip(*rows, strict=True))


def space_of(scenario: Scenario) -> Space:
    """Return the space of a scenario's tune table.

    Raises FeedsimError if there is no such table or no knob in it, if no speed makes the present
    line right, or if the line is impossible with an unsure value at its end.
    """
    tune = scenario.tune
    if tune is None or not tune.knob:
        message = f"nothing to choose: give [[tune.knob]] in the scenario, or {argument('knobs')}"
        raise FeedsimError(Fault("tune", "no knob", "at least one knob", message))
    alone = scenario.model_copy(update={"tune": None})
    machine_of(alone)
    plain = scenario_to_dict(alone)
    knobs = tuple(_knobs(plain, tune))
    _refuse_no_choice(knobs)
    places = {knob.key: number for number, knob in enumerate(knobs)}
    unsure = tuple(_unsure(plain, tune, places))
    _at_the_ends(alone, unsure)
    return Space(alone, tune, knobs, unsure, plain)


def _refuse_no_choice(knobs: Sequence[Knob]) -> None:
    for place, knob in enumerate(knobs):
        if any(not knob.is_now(other) for other in range(len(knob.values))):
            return
        only = Fault(f"tune.knob.{place}.values", knob.text(0), "a value other than what is now")
    raise FeedsimError(only)


def _knobs(plain: Mapping[str, Any], tune: TuneKeys) -> Iterator[Knob]:
    for row in tune.knob:
        leaf, now = _leaf(row.key), raw_of(plain, row.key)
        written: Sequence[KnobValue] = had(leaf, row.values)
        rising = _rising(written)
        found = [written[place] for place in rising]
        numbers = tuple(one.number for one in found if one.number is not None)
        prices = row.price if isinstance(row.price, tuple) else (row.price,) * len(found)
        yield Knob(
            key=row.key,
            values=tuple(one.written for one in found),
            numbers=numbers if len(numbers) == len(found) else (),
            kind=kind_of(leaf, found[0].written),
            now=in_unit_of(leaf, now, found[0].written),
            now_number=number_of(leaf, now),
            prices=tuple(prices[place] for place in rising),
        )


def _rising(found: Sequence[KnobValue]) -> list[int]:
    """Return the order of steps and windows along a list; words stay as listed."""
    numbers = [one.number for one in found if one.number is not None]
    places = range(len(found))
    return sorted(places, key=numbers.__getitem__) if len(numbers) == len(found) else [*places]


def _unsure(
    plain: Mapping[str, Any], tune: TuneKeys, places: Mapping[str, int]
) -> Iterator[Unsure]:
    for row in tune.unsure:
        leaf, now = _leaf(row.key), raw_of(plain, row.key)
        by: Off = off(leaf, row, believed=now)
        chosen = places.get(row.key, -1)
        yield Unsure(row.key, kind_of(leaf, now), by.believed, by.low, by.high, by.law, chosen)


def _leaf(key: str) -> KeyType:
    leaf = leaf_of(key)
    if leaf is None:
        msg = f"{key} holds no value, which the scenario's checks refuse"
        raise ValueError(msg)
    return leaf


def _at_the_ends(scenario: Scenario, unsure: Sequence[Unsure]) -> None:
    """Refuse unsure values whose range is not all possible, one by one."""
    faults = []
    for place, one in enumerate(unsure):
        if one.chosen >= 0:
            continue
        for end in (one.low, one.high):
            text = str(_text(one, float(f"{one.believed + end:.12g}")))
            try:
                override(scenario, [f"{one.key}={text}"])
            except FeedsimError as error:
                message = f"at {text} no such line is possible: {error.faults[0]}"
                faults.append(Fault(f"tune.unsure.{place}", text, "less", message))
    if faults:
        raise FeedsimError(*faults)
