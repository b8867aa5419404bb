"""A setup in closed form: settings typed in for the believed line, on the machines drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

from feedsim.answers.tune.study.space import Draw, Setup, Space
from feedsim.criteria import Criteria
from feedsim.errors import FeedsimError
from feedsim.machine import Machine, Settings
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario, at_line_speed, machine_from
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.right import NAMES
from feedsim.settings.shares_by_speed import Excess, SharesBySpeed, together
from feedsim.settings.solve import solved, with_chosen_motor
from feedsim.settings.sources import placement_spread

_JAMS = [n for n, m in enumerate(MECHANISMS) if m.figure == "jam_risk"]
_KEPT = 1024
_DRAWS = 20
"""Least number of machines drawn in a search; more if needed so that two of them may fail."""
_MAY_FAIL = 2


class ClosedLine:
    """One setup of a space, asked at line speeds; FeedsimError if no such line is possible."""

    def __init__(self, space: Space, setup: Setup) -> None:
        self._space, self._setup = space, setup
        believed = space.believed(setup)
        self._allowed: Criteria = criteria_of(believed)
        self._believed = _feeders(believed)
        self._typed = lru_cache(maxsize=256)(lambda speed: _typed(self._believed, speed))
        self._shares: dict[Draw | None, tuple[list[SharesBySpeed], float]] = {}

    def excess(self, speed_mm_s: float, draw: Draw | None = None) -> Excess:
        """Return how far the worst feeder is beyond what is allowed.

        ``draw``: the true machine; by default the believed one. Raises FeedsimError if no such
        machine is possible.
        """
        shares, faster = self._of(draw)
        found = [each.excess(speed_mm_s + faster) for each in shares]
        return max(found, key=lambda excess: excess.times)

    def rows(self, speed_mm_s: float, draw: Draw | None = None) -> list[tuple[float, ...]]:
        """Return the share of each mechanism, in the order of ``MECHANISMS``, of each feeder."""
        shares, faster = self._of(draw)
        return [each.at_speed(speed_mm_s + faster) for each in shares]

    def jam_risk(self, speed_mm_s: float, draw: Draw | None = None) -> float:
        """Return the share of feed cycles with a hazard, of the worst feeder."""
        return max(together(row[n] for n in _JAMS) for row in self.rows(speed_mm_s, draw))

    def spread(self, speed_mm_s: float, draw: Draw | None = None) -> float:
        """Return the standard deviation of the placement (mm), of the worst feeder."""
        shares, faster = self._of(draw)
        return max(placement_spread(each.at(speed_mm_s + faster)).sd for each in shares)

    def _of(self, draw: Draw | None) -> tuple[list[SharesBySpeed], float]:
        if draw not in self._shares:
            if len(self._shares) >= _KEPT:
                self._shares.clear()
            self._shares[draw] = self._made(draw)
        return self._shares[draw]

    def _made(self, draw: Draw | None) -> tuple[list[SharesBySpeed], float]:
        if draw is None:
            at = [_typed_at(given, self._typed, n, 0.0) for n, given in enumerate(self._believed)]
            return [SharesBySpeed(each, self._allowed) for each in at], 0.0
        faster = self._space.speed_off(draw)
        true = _feeders(self._space.drawn(self._setup, draw))
        at = [_typed_at(given, self._typed, n, faster) for n, given in enumerate(true)]
        return [SharesBySpeed(each, self._allowed) for each in at], faster


Typed = Callable[[float], tuple[Settings, ...]]


def _feeders(scenario: Scenario) -> list[FeederAtSpeed]:
    machine = machine_from(scenario)
    return [FeederAtSpeed(machine, with_chosen_motor(feeder)) for feeder in machine.feeders]


def _typed(believed: list[FeederAtSpeed], speed: float) -> tuple[Settings, ...]:
    return tuple(solved(given.on_line_at(speed)).settings for given in believed)


def _typed_at(
    given: FeederAtSpeed, typed: Typed, number: int, faster: float
) -> Callable[[float], FeederAtSpeed]:
    """Return a function that gives a feeder at its true speed, set for the believed one."""

    def at(speed: float) -> FeederAtSpeed:
        settings = typed(speed - faster)[number]
        there = given.on_line_at(speed)
        return there.with_settings(**{name: getattr(settings, name) for name in NAMES})

    return at


def true_machine(
    space: Space, setup: Setup, *, draw: Draw | None, speed_mm_s: float
) -> tuple[Scenario, Machine]:
    """Return a drawn line at a speed, and its machine with the settings for the believed one.

    Without a draw it is as it is believed to be. ``speed_mm_s``: at which it is believed to run.
    Raises FeedsimError if no such line is possible.
    """
    believed, typed = _typed_in(space, setup, speed_mm_s)
    if draw is None:
        return believed, typed
    faster = speed_mm_s + space.speed_off(draw)
    scenario = at_line_speed(space.drawn(setup, draw), faster)
    machine = machine_from(scenario)
    feeders = tuple(
        replace(
            true,
            settings=replace(
                true.settings, **{name: getattr(meant.settings, name) for name in NAMES}
            ),
        )
        for true, meant in zip(map(with_chosen_motor, machine.feeders), typed.feeders, strict=True)
    )
    return scenario, replace(machine, feeders=feeders)


@lru_cache(maxsize=16)
def _typed_in(space: Space, setup: Setup, speed_mm_s: float) -> tuple[Scenario, Machine]:
    """Return the believed line and its machine, kept for the many machines drawn."""
    believed = at_line_speed(space.believed(setup), speed_mm_s)
    return believed, machine_of(believed)


def draws_of(space: Space) -> tuple[Draw, ...]:
    """Return the machines that a search draws from what is unsure."""
    short = 1.0 - space.tune.assurance
    return space.draws(max(_DRAWS, math.ceil(_MAY_FAIL / short)))


class Judge:
    """Whether enough of some machines are accepted at a speed."""

    def __init__(
        self,
        space: Space,
        line: ClosedLine,
        draws: Sequence[Draw | None],
        may_fail: int | None = None,
    ) -> None:
        self.draws = list(draws)
        some = space.may_fail(len(draws)) if draws[0] is not None else 0
        self.may_fail = some if may_fail is None else may_fail
        self._line = line

    def worst_at(self, speed: float) -> list[Draw | None]:
        """Return the machines, the worst at a speed first."""
        return sorted(self.draws, key=lambda draw: -self._one(speed, draw).times)

    def worst(self, speed: float) -> Excess:
        """Return the excess of the best machine of those beyond the number that may fail.

        Once more than that are refused, the least of these excesses is returned. Machines refused
        last are asked first.
        """
        over: list[Excess] = []
        under: list[Excess] = []
        for place, draw in enumerate(list(self.draws)):
            found = self._one(speed, draw)
            if found.times > 1.0:
                over.append(found)
                self.draws.insert(0, self.draws.pop(place))
                if len(over) > self.may_fail:
                    return min(over, key=lambda e: e.times)
            else:
                under.append(found)
        ranked = sorted([*over, *under], key=lambda e: -e.times)
        return ranked[self.may_fail]

    def _one(self, speed: float, draw: Draw | None) -> Excess:
        try:
            return self._line.excess(speed, draw)
        except FeedsimError:
            return Excess(math.inf, "missed", 1.0)
