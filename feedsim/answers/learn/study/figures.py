"""What is learned: a figure with its interval, compared with the scenario."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from feedsim.arrays import Floats
from feedsim.machine import SideName
from feedsim.metrics.intervals import NORMAL_95, normal_quantile, sd_behind
from feedsim.metrics.plain import LEFT_OUT
from feedsim.metrics.sample_sizes import spread_interval
from feedsim.metrics.student import standard_error, widened
from feedsim.probability.normal import positive_mean

Verdict = Literal["agrees", "differs", "untold"]
_SURE = normal_quantile(0.999) / NORMAL_95
ACTS: dict[SideName, str] = {"engage": "closing", "disengage": "opening"}
"""The act that the settings of a side ask for."""
CLOCKS_APART = 1e-4  # of two quartz clocks, ±50 ppm each (common practice, no source)


class Finding(NamedTuple):
    """A figure and its 95 % interval, from ``n`` values."""

    value: float
    low: float
    high: float
    n: int

    @property
    def sd(self) -> float:
        """The standard deviation of a normal error with this interval."""
        return sd_behind(self.low, self.high)

    def scaled(self, factor: float, plus: float = 0.0) -> Finding:
        """Return factor·figure + plus."""
        ends = sorted((self.low * factor + plus, self.high * factor + plus))
        return Finding(self.value * factor + plus, ends[0], ends[1], self.n)

    def widened(self, by: float) -> Finding:
        """Return the figure with an independent error, of this half width, in its interval."""
        value = self.value
        below, above = (math.hypot(side, by) for side in (value - self.low, self.high - value))
        return Finding(value, value - below, value + above, self.n)

    def surely_not(self, value: float) -> bool:
        """Tell whether a value lies outside the 99.9 % interval of a normal law."""
        low = self.value - _SURE * (self.value - self.low)
        high = self.value + _SURE * (self.high - self.value)
        slack = 1e-9 * max(abs(value), abs(self.value))
        return not low - slack <= value <= high + slack


class Travel(NamedTuple):
    """Which travel from edge to act a row is about: in log number ``log``, from 1 on."""

    side: SideName
    speed_mm_s: float
    log: int


@dataclass(frozen=True, slots=True)
class Learned:
    """One quantity of a machine, from its logs.

    ``key``: the scenario's, such as ``feeder.0.clutch.ramp_in``; empty if it has none.
    ``what``: in words.
    ``kind``: ``length`` (mm), ``time`` (s), ``speed`` (mm/s), ``share``, ``rate`` (1/s) or
        ``ratio``.
    ``value``: None if the logs do not show it.
    ``low``, ``high``: the 95 % interval, or bounds on a value that the logs do not show (None: no
        bound).
    ``scenario``: the scenario's value.

    ``verdict``: ``agrees``, if the scenario's value lies within the interval, or outside it by less
        than certain at 99.9 %, or by less than two clocks may differ; ``differs``; or ``untold``,
        if the logs do not show it.
    ``why``: why they do not, or what the value rests on.
    ``n``: number of values.
    ``part``: what it belongs to: ``line``, ``carriers``, ``feeder.0`` and so on.
    ``travel``: which travel from edge to act it is, if it is one.
    ``placed``: whether measured placements show it.
    """

    key: str
    what: str
    kind: str
    value: float | None
    low: float | None
    high: float | None
    scenario: float | None
    verdict: Verdict
    why: str
    n: int
    part: str = ""
    travel: Travel | None = field(default=None, metadata=LEFT_OUT)
    placed: bool = field(default=False, metadata=LEFT_OUT)

    @property
    def figure(self) -> Finding | None:
        """The figure with its interval; None if the logs do not show it."""
        if self.value is None or self.low is None or self.high is None:
            return None
        return Finding(self.value, self.low, self.high, self.n)

    @property
    def feeder(self) -> int:
        """Number of its feeder, −1 for none."""
        first, _, rest = self.part.partition(".")
        return int(rest) if first == "feeder" else -1


class Subject(NamedTuple):
    """The quantity of a row: its key in the scenario, words, kind; see :class:`Learned`."""

    key: str
    what: str
    kind: str

    def told(
        self, figure: Finding, scenario: float | None, why: str = "", *, apart: float = 0.0
    ) -> Learned:
        """Compare a figure with the scenario.

        Of thirty figures one or two lie outside their 95 % intervals by chance. So it "differs"
        only outside an interval 1.68 times as wide, that of 99.9 % of a normal law (any table of
        it), and by more than ``apart`` of the scenario's value: :data:`CLOCKS_APART` if the
        difference may only be that of two clocks.
        """
        verdict: Verdict = "agrees"
        if scenario is not None and figure.surely_not(scenario):
            near = abs(figure.value - scenario) <= apart * abs(scenario)
            verdict = "agrees" if near else "differs"
        return Learned(*self, *figure[:3], scenario, verdict, why, figure.n)

    def untold(
        self,
        scenario: float | None,
        why: str,
        *,
        low: float | None = None,
        high: float | None = None,
        n: int = 0,
    ) -> Learned:
        """Return the row of a quantity that the logs do not show: why, and bounds on it."""
        return Learned(*self, None, low, high, scenario, "untold", why, n)


def pooled(figures: Sequence[Finding]) -> Finding | None:
    """Return the mean of several figures, weighted by their inverse variances (any text)."""
    if len(figures) < 2:
        return figures[0] if figures else None
    weights = [1.0 / max(f.high - f.low, 1e-12) ** 2 for f in figures]
    total = sum(weights)
    value = sum(w * f.value for w, f in zip(weights, figures, strict=True)) / total
    low, high = (
        math.sqrt(sum((w * side) ** 2 for w, side in zip(weights, sides, strict=True))) / total
        for sides in ([f.value - f.low for f in figures], [f.high - f.value for f in figures])
    )
    return Finding(value, value - low, value + high, sum(f.n for f in figures))


def combined(value: float, *, sd: float, uniform: float, n: int, dof: float = math.inf) -> Finding:
    """Return a figure with the 95 % interval of a normal error plus a uniform one.

    ``sd``: standard deviation of the normal error, known from ``dof`` degrees of freedom.
    ``uniform``: half width of a uniform error that does not shrink with the number of values, such
    as that of ticks in step with the log's clock.

    P(|N + U| ≤ x) = 95 % is solved for x; the sum of a uniform and a normal law has the
    distribution function ∫Φ, σ/2u·[z·Φ(z) + φ(z)] from −z to z (elementary). Student's quantile
    over the normal one widens the normal part.
    """
    if math.isfinite(dof):
        sd *= widened(max(dof, 1.0), 0.95)
    half = _half_width(sd, uniform)
    return Finding(value, value - half, value + half, n)


def mean_of(values: Floats, *, uniform: float = 0.0) -> Finding:
    """Return the mean of n ≥ 2 independent values, shape (n,); ``uniform``: of :func:`combined`."""
    sd, n = standard_error(values), len(values)
    return combined(float(values.mean()), sd=sd, uniform=uniform, n=n, dof=n - 1.0)


def sd_less(squares: float, *, dof: float, noise: float, n: int) -> Finding:
    """Return a standard deviation, less that of a known noise.

    ``squares``: sum of squares of ``dof`` degrees of freedom about the mean or a line, of n values;
    its chi-squared interval is that of :func:`feedsim.metrics.sample_sizes.spread_interval`.
    """
    part = spread_interval(dof + 1.0)
    value, low, high = (
        math.sqrt(max(0.0, squares / dof * by**2 - noise**2)) for by in (1.0, *part)
    )
    return Finding(value, low, high, n)


def _half_width(sd: float, uniform: float) -> float:
    if uniform <= 1e-9 * sd or uniform == 0.0:
        return NORMAL_95 * sd
    if sd <= 1e-9 * uniform:
        return 0.95 * uniform
    from scipy.optimize import brentq

    return float(
        brentq(
            lambda x: _within(x, sd, uniform) - 0.95, 0.0, uniform + 4.0 * sd, xtol=1e-12 * uniform
        )
    )


def _within(x: float, sd: float, uniform: float) -> float:
    """Return P(|N + U| ≤ x), the mean of 2·Φ − 1 over U."""
    rises = positive_mean(x + uniform, sd) - positive_mean(x - uniform, sd)
    return rises / uniform - 1.0
