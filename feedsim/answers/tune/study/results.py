"""Results of a search for the best setup, typed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import LEFT_OUT
from feedsim.scenario import AS_WRITTEN, Scenario

Aim = Literal["speed", "jam_risk", "spread", "window"]
LESS_IS_BETTER: frozenset[Aim] = frozenset({"jam_risk", "spread"})
Verdict = Literal["accepted", "refused", "open"]


@dataclass(frozen=True, slots=True)
class PartAccepted:
    """How many of the machines drawn are accepted.

    ``interval``: two-sided, 95 %, of the share of all possible ones (Clopper and Pearson).
    """

    accepted: int
    drawn: int
    interval: Interval


@dataclass(frozen=True, slots=True)
class Judged:
    """A setup with random numbers, and on drawn machines, that no search has seen.

    ``values``: of each knob, as one would write it.
    ``price``: what it costs.
    ``value``: the aim's, the highest speed (mm/s), the jam risk (a share), the spread of the
        placement (mm), or the window (a share of the ranges of the knobs); None for none.
    ``interval``: of that, 95 % at least; None for none, as of a window.
    ``verdict``: whether it is accepted, at 95 %, for what is believed, or for the share asked for
        of what is unsure, at ``verdict_speed_mm_s``: if the aim is speed, the highest shown to be
        accepted.
    ``drawn``: at that speed; None if nothing is unsure or there is no such speed.
    ``carriers``: simulated for it.
    ``verdict_speed_mm_s``: speed of the verdict: if the aim is speed, the highest shown to be
    accepted.
    """

    values: tuple[str, ...]
    price: float
    value: float | None
    interval: Interval | None
    verdict: Verdict
    verdict_speed_mm_s: float | None
    drawn: PartAccepted | None
    carriers: int


@dataclass(frozen=True, slots=True)
class Chosen:
    """A knob, its values as one would write them.

    ``matters``: the aim depends on it, the others as in the best setup, in closed form.
    ``worth``: gain of the aim's value over this knob's present value, in closed form; None if that
        is not accepted.
    ``price``: what the best value costs.
    ``place``: of that on the knob's list, -1: unchanged.
    ``best``, ``now``: its values as one would write them.
    ``key``: path of the key.
    """

    key: str
    now: str
    best: str
    matters: bool
    worth: float | None
    price: float
    place: int = field(metadata=LEFT_OUT)


@dataclass(frozen=True, slots=True)
class Nearest:
    """If no setup is accepted: the nearest one, by the values of the knobs.

    ``figure``: the acceptance figure that cannot be met; "" if no such line is possible at all.
    ``share``, ``limit``: that figure in closed form, and its limit; of within_tolerance the share
    outside. ``speed_mm_s``: where that is, the slowest speed looked at, or the given one.
    ``values``: of each knob.
    """

    values: tuple[str, ...]
    figure: str
    share: float
    limit: float
    speed_mm_s: float | None


@dataclass(frozen=True, slots=True)
class UnsureCost:
    """What it costs not to know one value; in closed form.

    ``value_if_known``: the aim's value of the best setup if this value were surely as believed;
    ``gain``: by how much that is better.
    """

    key: str
    value_if_known: float | None
    gain: float | None


@dataclass(frozen=True, slots=True, repr=False)
class Tuned:
    """The best setup, for what is believed, and for what is unsure: robust, None if nothing is.

    ``speed_mm_s``: the given speed; None if the aim is speed.
    ``assurance``: share of what is unsure for which a setup must be accepted.
    ``feasible``: any setup is accepted; else ``nearest`` is the nearest.
    ``gain``: by how much the best setup is better than the present, both robust if anything is
        unsure; its interval, like that of the price, is of 95 % at least.
    ``price_of_not_knowing``: by how much the nominal best for what is believed beats the robust
        best for what is unsure.
    ``unsure``: the most costly first.
    ``carriers_search``, ``carriers_verdict``: simulated.
    ``looked_at``: setups looked at in closed form.
    ``impossible``: those of them that make no possible line.
    ``best_nominal``, ``now_nominal``: the present and the best setup, for what is believed.
    ``best_robust``, ``now_robust``: the same for what is unsure; None if nothing is.
    ``gain_interval``, ``price_interval``: 95 % at least.
    ``nearest``: the setup nearest to being accepted; None if one is.
    """

    feedsim: str
    title: str
    scenario: Scenario = field(metadata=AS_WRITTEN)
    aim: Aim
    speed_mm_s: float | None
    assurance: float
    knobs: tuple[Chosen, ...]
    feasible: bool
    nearest: Nearest | None
    now_nominal: Judged
    best_nominal: Judged
    now_robust: Judged | None
    best_robust: Judged | None
    gain: float | None
    gain_interval: Interval | None
    price_of_not_knowing: float | None
    price_interval: Interval | None
    unsure: tuple[UnsureCost, ...]
    carriers_search: int
    carriers_verdict: int
    looked_at: int
    impossible: int

    @property
    def best_places(self) -> tuple[int, ...]:
        """The place of each knob in the best setup, -1 if unchanged."""
        return tuple(knob.place for knob in self.knobs)

    @property
    def best(self) -> Judged:
        """The best setup: the robust one if anything is unsure."""
        return self.best_robust or self.best_nominal

    @property
    def now(self) -> Judged:
        """The present setup, judged likewise."""
        return self.now_robust or self.now_nominal
