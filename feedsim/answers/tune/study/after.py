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

    ``without``: the aim's value without it, all else at its best; None if then no speed is
        accepted, or no such line is possible (``possible``).
    ``worth``: how much better the aim is with the change: faster, or less risk or spread.
    ``interval``: 95 % of that, both with the same random numbers; None in closed form.
    ``robust_worth``: if something is unsure, the worth in closed form, for the share of it asked
        for.
    ``best``, ``now``: its present value, and that of the best setup.
    ``key``: of the knob.
    ``possible``: whether a line is possible without this change alone.
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
    """The best setup at one speed, by the values of the knobs.

    ``value``: jam risk (share of the feed cycles) or standard deviation (mm), simulated in fresh
    runs, with its 95 % ``interval``. ``met``: all acceptance figures are met there, by counts.
    ``interval``: 95 % interval of it.
    ``values``: of the knobs, in their order.
    """

    line_speed_mm_s: float
    values: tuple[str, ...]
    value: float | None
    interval: Interval | None
    met: bool


@dataclass(frozen=True, slots=True)
class Front:
    """The least risk or spread at each speed, rising, with the knobs chosen for it.

    ``now``: the setup as it is, at the same speeds.
    ``points``: rising in speed.
    """

    against: Against
    points: tuple[FrontPoint, ...]
    now: tuple[FrontPoint, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """How far one value may be turned.

    ``low``, ``high``: the last accepted values either way; None if not even the best one is.
    ``binds``: the mechanism that refuses the next value, if one does. ``accepted``: all accepted
    ones of a list of words.
    """

    low: str | None
    high: str | None
    binds: tuple[str | None, str | None]
    accepted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KnobWindow:
    """The range in which the setup stays accepted at a line speed as one knob is turned.

    ``best``: its value in the best setup.
    ``had``: the first and the last of its list.
    ``held``: all others held, in closed form.
    ``retuned``: the others chosen anew for each value, in closed form.
    ``simulated``: the ends of ``held`` by simulation, the last values that meet every acceptance
        figure; None for words, and if something is unsure.
    ``values``: those looked at, in the internal unit, rising; none for words.
    ``times``: at each, all others held, the worst figure over its limit, in closed form; null: no
        such line is possible.
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

    ``terms``: of each knob that the best setup changes; ``windows``: of each knob; ``fronts``:
    speed against jam risk, and against spread.
    """

    terms: tuple[ChangeWorth, ...]
    windows: tuple[KnobWindow, ...]
    fronts: tuple[Front, ...]
