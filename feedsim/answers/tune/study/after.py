"""Results of a search: what each change buys, fronts, and how far each knob may turn."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from feedsim.answers.tune.study.results import Tuned
from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import LEFT_OUT, MAY_BE_OPEN
from feedsim.quantities import Kind

Against = Literal["jam_risk", "spread"]
"""What a front trades speed for."""


@dataclass(frozen=True, slots=True)
class ChangeWorth:
    """What one change buys: the best setup against the same one without that change.

    Attributes
    ----------
    key : str
        Of the knob.
    now, best : str
        Its present value, and that of the best setup.
    without : float or None
        The aim's value without it, all else at its best; None if then no speed is accepted, or no
        such line is possible.
    worth : float or None
        How much better the aim is with the change: faster, or less risk or spread.
    interval : Interval or None
        95 % interval of that, both with the same random numbers; None in closed form.
    possible : bool
        Whether a line is possible without this change alone.
    robust_worth : float or None
        If something is unsure: the worth in closed form, for the share of it asked for.
    """

    key: str
    now: str
    best: str
    without: float | None
    worth: float | None
    interval: Interval | None
    possible: bool
    robust_worth: float | None

    @property
    def told_apart(self) -> bool:
        """Whether it surely differs from nothing."""
        return self.interval is not None and not self.interval.low <= 0.0 <= self.interval.high


@dataclass(frozen=True, slots=True)
class FrontPoint:
    """The best setup at one speed.

    Attributes
    ----------
    line_speed_mm_s : float
    values : tuple of str
        Of the knobs, in their order.
    value : float or None
        Jam risk (share of the feed cycles) or standard deviation (mm), simulated in fresh runs.
    interval : Interval or None
        95 % interval of it.
    met : bool
        Whether all acceptance figures are met there, by counts.
    """

    line_speed_mm_s: float
    values: tuple[str, ...]
    value: float | None
    interval: Interval | None
    met: bool


@dataclass(frozen=True, slots=True)
class Front:
    """The least risk or spread at each speed, with the knobs chosen for it.

    Attributes
    ----------
    against : {"jam_risk", "spread"}
    now : tuple of FrontPoint
        The setup as it is, at the same speeds.
    points : tuple of FrontPoint
        Rising in speed.
    """

    against: Against
    points: tuple[FrontPoint, ...]
    now: tuple[FrontPoint, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """How far one value may be turned.

    Attributes
    ----------
    low, high : str or None
        The last accepted values either way; None if not even the best one is.
    binds : (str or None, str or None)
        The mechanism that refuses the next value, if one does.
    accepted : tuple of str
        All accepted ones of a list of words.
    """

    low: str | None
    high: str | None
    binds: tuple[str | None, str | None]
    accepted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KnobWindow:
    """The range in which the setup stays accepted at a line speed as one knob is turned.

    Attributes
    ----------
    key : str
    line_speed_mm_s : float
    best : str
        Its value in the best setup.
    had : (str, str)
        The first and the last value of its list.
    held : Reach
        All others held, in closed form.
    retuned : Reach
        The others chosen anew for each value, in closed form.
    simulated : (str, str) or None
        The ends of ``held`` by simulation: the last values that meet every acceptance figure. None
        for words, and if something is unsure.
    values : tuple of float
        Those looked at, in the internal unit, rising; none for words.
    times : tuple of float
        At each, all others held, the worst figure over its limit, in closed form; null: no such
        line is possible.
    """

    key: str
    line_speed_mm_s: float
    best: str
    had: tuple[str, str]
    held: Reach
    retuned: Reach
    simulated: tuple[str, str] | None
    values: tuple[float, ...]
    times: tuple[float, ...] = field(metadata=MAY_BE_OPEN)
    kind: Kind | None = field(metadata=LEFT_OUT)

    @property
    def low(self) -> str | None:
        """The lowest value that stays accepted: by simulation if it was run."""
        return self.simulated[0] if self.simulated else self.held.low

    @property
    def high(self) -> str | None:
        """The highest one."""
        return self.simulated[1] if self.simulated else self.held.high


@dataclass(frozen=True, slots=True, repr=False)
class Tuning(Tuned):
    """The best setup and what it is worth.

    Attributes
    ----------
    terms : tuple of ChangeWorth
        Of each knob that the best setup changes.
    windows : tuple of KnobWindow
        Of each knob.
    fronts : tuple of Front
        Speed against jam risk, and against spread.
    """

    terms: tuple[ChangeWorth, ...]
    windows: tuple[KnobWindow, ...]
    fronts: tuple[Front, ...]
