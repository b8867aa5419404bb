"""The distribution of a sum of independent parts: normal, uniform, or of certain values.

Placement error and stage position are such sums: edges are normal, ticks, counts and jitter
uniform, locked ticks take a few values. Far from the middle a normal curve of the same
standard deviation would be wrong by factors: the sum of two ticks ends where it ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.probability.distribution_parts import Clipped, Lattice
from feedsim.probability.even_grid import EvenGrid
from feedsim.probability.normal import kept_of_wave, share_below

_MOST_TERMS = 20_000
_FAR = 9.0  # standard deviations beyond which a normal part is negligible
_HARDLY = 1e-6
_DEAD = 26.0  # e^-26 is 5e-12
_FURTHER, _LOG_FURTHER = 1.25, math.log(1.25)
_FEWEST_FACTORS, _MOST_FACTORS = 3, 8
_NOTHING = 1e-15
_MARGIN = 1.05
"""How many times the whole range 2π over the step of t is, more than 1."""
_FEWEST_POINTS, _MOST_POINTS = 4096, 65_536
_POINTS_OF_A_TERM = 16


@dataclass(frozen=True, slots=True)
class SharesBelow:
    """The probability of a value below any of many limits, straight between support points.

    Attributes
    ----------
    places, shares : array, shape (points,)
        Rising limits, and the probability of a value below each.
    """

    places: Floats
    shares: Floats

    @property
    def low_at(self) -> float:
        """The highest limit with nothing below it."""
        return float(self.places[0])

    @property
    def high_at(self) -> float:
        """The lowest limit with everything below it."""
        return float(self.places[-1])

    def __call__(self, limits: Floats) -> Floats:
        """Return the probability of a value below each limit, shape of ``limits``."""
        if len(self.places) == 1:
            return np.asarray(limits > self.places[0], dtype=np.float64)
        found = np.interp(limits, self.places, self.shares, left=0.0, right=1.0)
        return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Wave:
    """The characteristic function φ of a sum without its mean (any text), at an even grid of t.

    ``low``, ``high``: bounds of its values. ``heights``: φ at t = step·(k + ½), over k + ½.
    """

    low: float
    high: float
    grid: EvenGrid
    heights: NDArray[np.float64] | NDArray[np.complex128]

    def at(self, limit: float) -> NDArray[np.complex128]:
        """Return e^(−it·limit)·φ(t) over k + ½, shape (terms,), by definition."""
        return self.grid.turned(-limit) * self.heights

    def share_below(self, limit: float) -> float:
        """Return the probability of a value below a limit."""
        if limit <= self.low or limit >= self.high:
            return float(limit >= self.high)
        if self.heights.dtype == np.float64:  # half the work
            odd = self.grid.turned(-limit).imag * self.heights
        else:
            odd = self.at(limit).imag
        share = 0.5 - float(np.add.reduce(odd)) / math.pi
        return min(1.0, max(0.0, share))


class Distribution(NamedTuple):
    """A sum of independent parts, all in one unit.

    Attributes
    ----------
    mean : float
        Added to all others, which may have their own means.
    normal_sd : float
        Of a normal part of mean 0.
    half_widths : tuple of float
        Uniform parts of mean 0.
    choices : tuple of mapping
        Parts that take a few values: value → probability.
    rarely : tuple of (share, length)
        Parts that are uniform on 0…length (below 0: length…0) in that share of cases, else 0.
    lattices : tuple of Lattice
        Parts that take many values at equal steps.
    clipped : tuple of Clipped
        Normal parts that are clipped at 0.
    """

    mean: float = 0.0
    normal_sd: float = 0.0
    half_widths: tuple[float, ...] = ()
    choices: tuple[Mapping[float, float], ...] = ()
    rarely: tuple[tuple[float, float], ...] = ()
    lattices: tuple[Lattice, ...] = ()
    clipped: tuple[Clipped, ...] = ()

    @property
    def _closed(self) -> tuple[Lattice | Clipped, ...]:
        return (*self.lattices, *self.clipped)

    @property
    def average(self) -> float:
        """The mean of the sum: that of the parts, added (elementary)."""
        total = self.mean
        for values in self.choices:
            total += sum(x * p for x, p in values.items())
        for part in self._closed:
            total += part.mean
        for share, length in self.rarely:
            total += 0.5 * share * length
        return total

    @property
    def sd(self) -> float:
        """The standard deviation of the sum: variances of independent parts add (elementary).

        A uniform part of half-width a has a²/3, one that is uniform on 0…L in a share p of cases
        p·L²/3 − (p·L/2)².
        """
        variance = self.normal_sd**2 + sum(half * half / 3.0 for half in self.half_widths)
        for values in self.choices:
            mean = sum(x * p for x, p in values.items())
            variance += sum((x - mean) ** 2 * p for x, p in values.items())
        for share, length in self.rarely:
            variance += share * length**2 / 3.0 - (0.5 * share * length) ** 2
        variance += sum(part.variance for part in self._closed)
        return math.sqrt(variance)

    def plus(self, *others: Distribution) -> Distribution:
        """Return the sum with independent distributions."""
        mean, normal_sd, half_widths, choices, rarely, lattices, clipped = self
        for other in others:
            mean += other.mean
            normal_sd = math.hypot(normal_sd, other.normal_sd)
            half_widths += other.half_widths
            choices += other.choices
            rarely += other.rarely
            lattices += other.lattices
            clipped += other.clipped
        return Distribution(mean, normal_sd, half_widths, choices, rarely, lattices, clipped)

    def times(self, factor: float) -> Distribution:
        """Return it multiplied by a factor."""
        if factor == 1.0:
            return self
        size = abs(factor)
        return Distribution(
            factor * self.mean,
            size * self.normal_sd,
            tuple([size * half for half in self.half_widths]),
            tuple([{factor * x: p for x, p in values.items()} for values in self.choices]),
            tuple([(share, factor * length) for share, length in self.rarely]),
            tuple([part.times(factor) for part in self.lattices]),
            tuple([part.times(factor) for part in self.clipped]),
        )

    def shifted(self, by: float) -> Distribution:
        """Return it moved by a length."""
        return self._replace(mean=self.mean + by)

    def share_below(self, limit: float) -> float:
        """Return the probability of a value below the limit (:meth:`below`)."""
        return self.below(limit)[0]

    def below(self, *limits: float) -> list[float]:
        """Return the probability of a value below each limit.

        Gil-Pelaez's inversion of the characteristic function φ,
        F(x) = ½ − (1/π)·∫ Im(e^(−itx)·φ(t))/t dt over t > 0 (Biometrika 38:481-482, 1951, from
        memory), by the midpoint rule, which is practically exact if the step is 2π over more than
        the whole range and the sum goes on until φ vanishes. With hardly any normal part, one of
        1/10 000 of the range is added, so that φ vanishes.

        Parameters
        ----------
        *limits : float
            Unit of the parts.
        """
        low, high, _ = self._reach()
        if all(limit <= low or limit >= high for limit in limits):
            return [float(limit >= high and limit > low) for limit in limits]
        wave = self._wave()
        return [wave.share_below(limit - self.mean) for limit in limits]

    def shares_below(self) -> SharesBelow:
        """Return :meth:`share_below` for many limits, for the work of a few.

        Sums over the same grid of t at equal steps of the limit are one fast Fourier transform.
        Points are at most a 22nd of the normal standard deviation apart, so linear interpolation
        errs by less than 0.045²/8·max|φ'| = 6.2e-5 (elementary); but there are at most 65 536
        points, which binds if the normal part is less than 1/3000 of the range.
        """
        low, high, _ = self._reach()
        if low == high:
            return SharesBelow(np.array([low]), np.zeros(1))
        wave = self._wave()
        terms = wave.grid.terms
        wanted = max(_FEWEST_POINTS, _POINTS_OF_A_TERM * terms)
        points = min(_MOST_POINTS, 2 ** math.ceil(math.log2(wanted)))
        width = 2.0 * math.pi / (wave.grid.step * points)
        used = np.arange(math.ceil((wave.high - wave.low) / width) + 1)
        there = np.fft.fft(wave.at(wave.low), points)[used]
        turned = np.exp(-1j * math.pi / points * used) * there
        shares = np.clip(0.5 - turned.imag / math.pi, 0.0, 1.0)
        return SharesBelow(self.mean + wave.low + width * used, shares)

    def _reach(self) -> tuple[float, float, float]:
        """Return the bounds of all values, and the standard deviation to smooth them with."""
        low, high = self.bounds()
        sd = max(self.normal_sd, 1e-4 * (high - low))
        return low - _FAR * sd, high + _FAR * sd, sd

    def _wave(self) -> _Wave:
        """Return the wave of the sum less its mean, shared by sums with other means."""
        choices = tuple(tuple(values.items()) for values in self.choices)
        shape = (self.normal_sd, self.half_widths, choices, self.rarely)
        return _wave_of(*shape, self.lattices, self.clipped)

    def wave(self) -> _Wave:
        """Return the characteristic function at the relevant places; needs more than one value."""
        low, high, sd = self._reach()
        step = 2.0 * math.pi / (_MARGIN * (high - low))
        grid = EvenGrid(step, min(_MOST_TERMS, math.ceil(self._dies_at(sd) / step)))
        heights = self._others(grid) * (kept_of_wave(sd * grid.t) * (step / grid.t))
        return _Wave(low - self.mean, high - self.mean, grid, heights)

    def share_outside(self, low: float, high: float) -> float:
        """Return the probability of a value below ``low`` or above ``high``."""
        under, over = self.below(low, high)
        return min(1.0, under + 1.0 - over)

    def _dies_at(self, sd: float) -> float:
        """Return the t beyond which φ is negligible, by its normal and uniform parts.

        A uniform part of half-width a is below 1/(a·t) there (elementary: |sin| is at most 1).
        """
        end = _FAR / sd
        widest = sorted(self.half_widths, reverse=True)[:_MOST_FACTORS]
        if len(widest) < _FEWEST_FACTORS or widest[0] == 0.0:
            return end
        logs = [math.log(a) for a in widest if a > 0.0]
        t, log_t, many, whole = 1.0 / widest[0], -logs[0], 0, 0.0
        while t < end:
            while many < len(logs) and logs[many] + log_t > 0.0:  # those wide enough to count
                whole, many = whole + logs[many], many + 1
            if 0.5 * sd * sd * t * t + whole + many * log_t > _DEAD:
                return t
            t, log_t = t * _FURTHER, log_t + _LOG_FURTHER
        return end

    def _others(self, grid: EvenGrid) -> NDArray[np.float64] | NDArray[np.complex128]:
        """Return the characteristic function of all but the normal part, shape (terms,).

        Real if all parts are symmetric about 0.
        """
        halves: dict[float, int] = {}
        for half in self.half_widths:
            if half:
                halves[half] = halves.get(half, 0) + 1
        even = grid.uniform(halves) if halves else np.ones(grid.terms)
        if not (self.choices or self.rarely or self._closed):
            return even
        wave = np.asarray(even, dtype=np.complex128)
        for values in self.choices:
            wave *= grid.of_values(values)
        for share, length in self.rarely:
            half = 0.5 * length
            wave *= 1.0 - share + share * (grid.turned(half) * grid.uniform({half: 1}))
        for part in self._closed:
            wave *= part.wave(grid)
        return wave

    def bounds(self) -> tuple[float, float]:
        """Return the lowest and the highest value without the normal part."""
        low = high = self.mean
        for half in self.half_widths:
            low, high = low - half, high + half
        for values in self.choices:
            low, high = low + min(values), high + max(values)
        for _, length in self.rarely:
            low, high = low + min(length, 0.0), high + max(length, 0.0)
        for part in self._closed:
            least, most = part.bounds
            low, high = low + least, high + most
        return low, high


@lru_cache(maxsize=16)
def _wave_of(
    normal_sd: float,
    half_widths: tuple[float, ...],
    choices: tuple[tuple[tuple[float, float], ...], ...],
    *others: Any,
) -> _Wave:
    values = tuple(dict(pairs) for pairs in choices)
    return Distribution(0.0, normal_sd, half_widths, values, *others).wave()


def clipped_at(least: float, *, mean: float, sd: float) -> Distribution:
    """Return normal(mean, sd) clipped at the least; a normal part if hardly anything is clipped."""
    if sd == 0.0:
        return Distribution(max(mean, least))
    clipped = share_below((least - mean) / sd)
    if clipped < _HARDLY:
        return Distribution(mean, sd)
    if clipped > 1.0 - _NOTHING:
        return Distribution(least)
    return Distribution(least, clipped=(Clipped(mean - least, sd),))
