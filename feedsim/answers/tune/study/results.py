"""What a search for the best setup comes to, typed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import LEFT_OUT
from feedsim.scenario import AS_WRITTEN, Scenario

Aim = Literal["speed", "jam_risk", "spread", "window"]
Verdict = Literal["accepted", "refused", "open"]


@dataclass(frozen=True, slots=True)
class PartAccepted:
    """How many of the machines drawn are accepted.

    ``interval``: two-sided, 95 %, of the share of all that may be (Clopper and Pearson).
    """

    accepted: int
    drawn: int
    interval: Interval


@dataclass(frozen=True, slots=True)
class Judged:
    """A setup on cards, and for machines drawn, that no search has seen.

    Attributes
    ----------
    values : tuple of str
        Of each knob, as one would write it.
    price : float
        What it costs.
    value : float or None
        Of what is aimed at: the highest speed (mm/s), the jam risk (a share), the spread of the
        placement (mm), or the window (a share of the ranges of the knobs). None where there is
        none.
    interval : Interval or None
        Of the value, 95 % at least; None where there is none, as of a window.
    verdict : {"accepted", "refused", "open"}
        Whether it is accepted, at 95 %: for what is believed, or for the share of what is unsure
        that is asked for.
    verdict_speed_mm_s : float or None
        Of which speed that is said: where the speed is aimed at, the highest that is shown to be
        accepted.
    drawn : PartAccepted or None
        At that speed; None where nothing is unsure or there is no such speed.
    carriers : int
        Simulated for it.
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
    """A knob.

    Attributes
    ----------
    key : str
        Path of the key.
    now, best : str
        Its values as one would write them.
    matters : bool
        Whether what is aimed at depends on it, the others as in the best setup; in closed form.
    worth : float or None
        By how much the aim's value is better than with this knob as it is now, in closed form;
        None where that is not accepted.
    price : float
        What the best value costs.
    place : int
        Of the best value on the knob's list; -1 as it is now.
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
    """Where no setup is accepted: the one that comes nearest.

    Attributes
    ----------
    values : tuple of str
        Of each knob.
    figure : str
        The acceptance figure that cannot be met; "" where no such line is possible at all.
    share, limit : float
        Of that figure in closed form, and what is allowed; of within_tolerance the share outside.
    speed_mm_s : float or None
        Where that is: the slowest that was looked at, or the given speed.
    """

    values: tuple[str, ...]
    figure: str
    share: float
    limit: float
    speed_mm_s: float | None


@dataclass(frozen=True, slots=True)
class UnsureCost:
    """What it costs not to know one value; in closed form.

    Attributes
    ----------
    key : str
    value_if_known : float or None
        Of what is aimed at, were this value sure to be as believed, with the best setup.
    gain : float or None
        By how much that is better.
    """

    key: str
    value_if_known: float | None
    gain: float | None


@dataclass(frozen=True, slots=True, repr=False)
class Tuned:
    """The best setup, for what is believed and for what is unsure.

    Attributes
    ----------
    aim : {"speed", "jam_risk", "spread", "window"}
    speed_mm_s : float or None
        The given speed; None where the speed is aimed at.
    assurance : float
        Share of what is unsure for which a setup has to be accepted.
    knobs : tuple of Chosen
    feasible : bool
        Whether any setup is accepted.
    nearest : Nearest or None
        Where none is.
    now_nominal, best_nominal : Judged
        All as it is, and the best setup, for what is believed.
    now_robust, best_robust : Judged or None
        The same for what is unsure; None where nothing is.
    gain : float or None
        By how much the best setup is better than now, both robust where anything is unsure.
    gain_interval : Interval or None
        95 % at least.
    price_of_not_knowing : float or None
        By how much the nominal best is better for what is believed than the robust best is for
        what is unsure; None where nothing is.
    price_interval : Interval or None
        95 % at least.
    unsure : tuple of UnsureCost
        The one that costs most comes first.
    carriers_search, carriers_verdict : int
        Simulated.
    looked_at : int
        Setups that were looked at in closed form.
    impossible : int
        Those of them of which no line can be made.
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
        """The place of each knob in the best setup, -1 where it stays as it is now."""
        return tuple(knob.place for knob in self.knobs)

    @property
    def best(self) -> Judged:
        """The best setup: the robust one where anything is unsure."""
        return self.best_robust or self.best_nominal

    @property
    def now(self) -> Judged:
        """All as it is, judged likewise."""
        return self.now_robust or self.now_nominal
