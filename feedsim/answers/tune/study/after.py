"""What a search yields: what each change buys, fronts, and how far each knob may turn."""

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
    """What one change buys: the best setup against the same one with that change taken back.

    Attributes
    ----------
    key : str
        Of the knob.
    now, best : str
        Its value as it is, and in the best setup.
    without : float or None
        The aim's value with it taken back, all else at its best; None where no speed is accepted
        then, or no such line can be.
    worth : float or None
        How much better the aim is with the change: faster, or less risk or spread.
    interval : Interval or None
        95 % interval of that, both on the same cards; None in closed form.
    possible : bool
        Whether a line is possible with it taken back alone.
    robust_worth : float or None
        The same in closed form where something is unsure, for so much of it as is asked for.
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
        """Whether it is surely not nothing."""
        return self.interval is not None and not self.interval.low <= 0.0 <= self.interval.high


@dataclass(frozen=True, slots=True)
class FrontPoint:
    """The best that can be had at one speed.

    Attributes
    ----------
    line_speed_mm_s : float
    values : tuple of str
        Of the knobs, in their order.
    value : float or None
        Jam risk (share of the feed cycles) or standard deviation (mm), simulated on fresh cards.
    interval : Interval or None
        95 % interval of it.
    met : bool
        Whether all acceptance figures are met there, as counted.
    """

    line_speed_mm_s: float
    values: tuple[str, ...]
    value: float | None
    interval: Interval | None
    met: bool


@dataclass(frozen=True, slots=True)
class Front:
    """How little of something can be had at each speed, the knobs chosen for it.

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
        The last values that are accepted either way; None where not even the best one is.
    binds : (str or None, str or None)
        The mechanism that refuses the next value, where one does.
    accepted : tuple of str
        All of them, of a list of words.
    """

    low: str | None
    high: str | None
    binds: tuple[str | None, str | None]
    accepted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KnobWindow:
    """Within what the setup stays accepted at a line speed as one knob is turned.

    Attributes
    ----------
    key : str
    line_speed_mm_s : float
    best : str
        Its value in the best setup.
    had : (str, str)
        The first and the last value that can be had.
    held : Reach
        All others held, in closed form.
    retuned : Reach
        The others chosen anew for each value, in closed form.
    simulated : (str, str) or None
        The ends of ``held`` as simulation counts them: the last values that meet every acceptance
        figure. None of words, and where something is unsure.
    values : tuple of float
        Those looked at, in the internal unit, rising; none of words.
    times : tuple of float
        At each, all others held, how many times what is allowed the worst figure comes to in closed
        form; null: no such line is possible.
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
        """The lowest value that stays accepted: as simulation has it, where it looked."""
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
