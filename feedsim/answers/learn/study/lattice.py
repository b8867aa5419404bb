"""The grid in time that a program's actions fall on: period, phase, regularity."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.figures import Finding, combined, sd_less
from feedsim.answers.learn.study.fits import BoundedLine, bounded_line
from feedsim.arrays import Floats, Ints
from feedsim.metrics.fits import straight_line
from feedsim.settings.nominal import rectangular_sd

_LEAST = 30
_LONGEST_S = 0.05
_FINEST_S = 1e-4
_MOST_BINS = 1 << 22
_FALSE_ALARM = 1e-6
_OUTLIERS = 0.02
_LOOSEST = 0.06
_TRIED = 12
_EXACT = 4e-15  # relative error of a number by its own digits


@dataclass(frozen=True, slots=True)
class InstantGrid:
    """A grid of instants φ + n·period.

    ``period`` in s.
    ``jitter``: standard deviation of actions about the grid (s), less that of rounding.
    ``time_s``, shape (n,), of each action: its instant on the grid, or as logged if it lies off the
        grid.
    ``shared_s``: error that all of them may share, whatever the bounds.
    ``line``: instant (from the first on) against number, if the grid fits all actions but a few.
    """

    period: Finding
    jitter: Finding
    time_s: Floats
    shared_s: float
    line: BoundedLine | None

    @property
    def exact(self) -> bool:
        """Whether the grid fits all actions but a few."""
        return self.line is not None

    def open_s(self, times: Floats) -> float:
        """Return the half width of the common error of actions around these times (s)."""
        if self.line is None or len(times) == 0:
            return self.shared_s
        since = float(times.mean() - self.time_s[0]) - self.line.height.value
        return self.shared_s + self.line.open_at(self.line.centre + since / self.line.slope.value)


def lattice_of(
    time_s: Floats, within_s: Floats, *, grain_s: float, shared_s: float = 0.0
) -> InstantGrid | None:
    """Find the grid that instants fall on; None if there is none.

    ``time_s``, ``within_s``: middle and half width of each instant's interval in the log, shape
    (n,), rising. ``grain_s``: step in which the log writes instants. ``shared_s``: the part of
    ``within_s`` that may be an error common to all instants.

    The periodogram R(f) = |Σ exp(2πi·f·t)|/n is 1 for instants on a grid of period 1/f, sinc(w·f)
    if they are rounded to w, and Rayleigh distributed where there is no grid: P(R > r) = exp(−n·r²)
    (Lord Rayleigh; Fisher, Statistical Analysis of Circular Data, 1993, from memory). The period
    that stands out most is taken, or of those nearly as clear the first whose grid fits all
    actions: paced carriers give each grid neighbours. It is made two, three, five or seven times as
    long while all actions still fall on it. Period and phase then come from the bounds of each
    instant (:func:`~feedsim.answers.learn.study.fits.bounded_line`), or, if no regular grid fits
    all of them, from a straight line of least squares.

    Periods shorter than twice the rounding are not searched for: rounding makes them look like
    others.
    """
    n = len(time_s)
    if n < _LEAST:
        return None
    bin_s = max(grain_s, _FINEST_S)
    span = min(float(time_s[-1] - time_s[0]), _MOST_BINS * bin_s)
    some = time_s[time_s <= time_s[0] + span] - time_s[0]
    if span <= 4.0 * _LONGEST_S or len(some) < _LEAST:
        return None
    first = None
    for frequency in _frequencies(some, bin_s):
        found = _grid(
            time_s, within_s, 1.0 / _refined(time_s - time_s[0], some, frequency), shared_s
        )
        if found is not None and found.exact:
            return found
        first = first or found
    return first


def _frequencies(t: Floats, bin_s: float) -> list[float]:
    """Return candidate frequencies of the grid (1/s), the clearest first."""
    size = 1 << math.ceil(math.log2(2.0 * (t[-1] / bin_s + 1.0)))
    counts = np.bincount(np.rint(t / bin_s).astype(np.intp), minlength=size).astype(np.float64)
    power = np.abs(np.fft.rfft(counts)) / len(t)
    frequencies = np.arange(len(power)) / (size * bin_s)
    usable = (frequencies >= 1.0 / _LONGEST_S) & (frequencies <= 0.5 / bin_s)
    places = np.flatnonzero(usable)
    if len(places) == 0:
        return []
    clear = math.sqrt(math.log(len(places) / _FALSE_ALARM) / len(t))
    found: list[float] = []
    for place in places[np.argsort(-power[places])][: _TRIED * _TRIED].tolist():
        apart = all(abs(frequencies[place] - other) * t[-1] > 2.0 for other in found)
        if power[place] > clear and apart and len(found) < _TRIED:
            found.append(float(frequencies[place]))
    return found


def _refined(t: Floats, some: Floats, frequency: float) -> float:
    """Return the frequency at which instants are most coherent, over longer stretches."""
    span = float(some[-1])
    for _ in range(3):
        tried = frequency + np.linspace(-0.6, 0.6, 61) / span
        inside = t[t <= span]
        sums = [abs(np.exp(2j * np.pi * f * inside).sum()) for f in tried.tolist()]
        frequency = float(tried[int(np.argmax(sums))])
        span = min(4.0 * span, float(t[-1]))
    return frequency


def _numbers(t: Floats, period: float) -> Ints:
    """Return the number of each instant on the grid, the first one 0."""
    phase = float(np.angle(np.exp(2j * np.pi * t / period).sum())) / (2.0 * np.pi) * period
    numbers: Ints = np.rint((t - phase) / period).astype(np.int64)
    numbers -= numbers[0]
    return numbers


def _grid(time_s: Floats, within_s: Floats, period: float, shared_s: float) -> InstantGrid | None:
    t = time_s - time_s[0]
    numbers = _numbers(t, period)
    for factor in (2, 3, 5, 7):
        while _all_on(numbers, factor):
            numbers = np.rint(numbers / factor).astype(np.int64)
            period *= factor
    if period > _LONGEST_S:
        return None
    x = numbers.astype(np.float64)
    fit = straight_line(x, t)
    off = fit.residuals
    near = np.abs(off) <= 1.3 * within_s + 1e-9
    if np.mean(~near) <= _OUTLIERS:
        # so few lie off the grid that they are something else, a late act or a repaired row
        for shared in dict.fromkeys((shared_s, 0.0)):
            half = within_s[near] - shared + _EXACT * (np.abs(time_s[near]) + within_s[near])
            line = bounded_line(x[near], t[near] - half, t[near] + half)
            if line is not None:
                on_grid = np.where(near, time_s[0] + line.at(x), time_s)
                none = Finding(0.0, 0.0, _jitter(off[near], within_s[near]).high, int(near.sum()))
                return InstantGrid(line.slope, none, on_grid, shared, line)
    slope = float(fit.coefficients[1])
    figure = combined(slope, sd=float(fit.sds[1]), uniform=0.0, n=len(t))
    # acts behind carriers at nearly even pitches also correlate loosely at longer periods
    if fit.residual_sd**2 - _rounding_s(within_s) ** 2 > (_LOOSEST * slope) ** 2:
        return None
    return InstantGrid(figure, _jitter(off, within_s), time_s, 0.0, None)


def _all_on(numbers: Ints, factor: int) -> bool:
    """Tell whether nearly all numbers are multiples of a factor, and not all are 0."""
    off = numbers % factor
    return bool(np.any(numbers)) and int(np.count_nonzero(off)) <= _OUTLIERS * len(off)


def _jitter(off: Floats, within_s: Floats) -> Finding:
    """Return the standard deviation of actions, less the variance of rounding."""
    n, rounding = len(off), _rounding_s(within_s)
    return sd_less(float(off @ off), dof=max(n - 2.0, 1.0), noise=rounding, n=n)


def _rounding_s(within_s: Floats) -> float:
    """Return the standard deviation of rounding to intervals of these half widths (s)."""
    return rectangular_sd(math.sqrt(float(np.mean(within_s**2))))
