"""Parts of a sum with many values, with mean, variance and characteristic function (wave)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.probability.even_grid import EvenGrid
from feedsim.probability.normal import density, kept_of_wave, positive_mean, share_below

_FAR = 9.0  # standard deviations beyond which a normal curve is negligible
_SAME = 1e-7


class Lattice(NamedTuple):
    """Values start + k·step (elementary); first and last have their own shares, the rest are alike.

    Attributes
    ----------
    start, step : float
        The values are start + k·step, k from 0 to many − 1.
    many : int
        At least 1.
    first, last : float
        Their shares; for a single value ``first`` is 1 and ``last`` is 0.
    """

    start: float
    step: float
    many: int
    first: float
    last: float

    @classmethod
    def even(cls, step: float, many: int) -> Lattice:
        """Return ``many`` values with equal shares and mean 0."""
        each = 1.0 / many
        return cls(-0.5 * step * (many - 1), step, many, each, each if many > 1 else 0.0)

    def shares(self) -> Floats:
        """Return the share of each value, shape (many,)."""
        found = np.full(self.many, self._each)
        found[0] = self.first
        if self.many > 1:
            found[-1] = self.last
        return found

    @property
    def _each(self) -> float:
        between = self.many - 2
        return max(0.0, 1.0 - self.first - self.last) / between if between > 0 else 0.0

    @property
    def mean(self) -> float:
        """The mean value."""
        ends = self.last * (self.many - 1)
        between = self._each * 0.5 * (self.many - 2) * (self.many - 1) if self.many > 2 else 0.0
        return self.start + self.step * (ends + between)

    @property
    def variance(self) -> float:
        """The variance."""
        n = self.many - 1
        steps = (self.mean - self.start) / self.step if self.step else 0.0
        # Σ k² for k = 1 … n − 1 is (n − 1)·n·(2n − 1)/6
        square = self.last * n * n + self._each * (n - 1) * n * (2 * n - 1) / 6.0
        return max(0.0, square - steps * steps) * self.step**2

    @property
    def bounds(self) -> tuple[float, float]:
        """The lowest and the highest value."""
        end = self.start + self.step * (self.many - 1)
        return min(self.start, end), max(self.start, end)

    def times(self, factor: float) -> Lattice:
        """Return all values multiplied by a factor."""
        start, step = factor * self.start, factor * self.step
        return Lattice(start, step, self.many, self.first, self.last)

    def wave(self, grid: EvenGrid) -> NDArray[np.complex128]:
        """Return the characteristic function, shape (terms,).

        The values between the ends are a geometric series: Σ e^(ikx) over n of them is
        sin(nx/2)/sin(x/2) about their middle (Dirichlet's kernel, any text on Fourier series).
        """
        n = self.many - 1
        found: NDArray[np.complex128] = self.first * grid.turned(self.start)
        if n > 0:
            found = found + self.last * grid.turned(self.start + n * self.step)
        if n > 1:
            middle = grid.turned(self.start + 0.5 * n * self.step)
            found = found + self._each * (middle * _dirichlet(grid, 0.5 * self.step, n - 1))
        return found


def _dirichlet(grid: EvenGrid, half: float, many: int) -> Floats:
    """Return sin(many·x)/sin(x), x = half·t; its limit ±many where sin(x) is nearly 0.

    Dirichlet's kernel, any text on Fourier series.
    """
    below = grid.sines(half)
    near = np.abs(below) < _SAME
    if not near.any():
        return grid.sines(many * half) / below
    turns = np.rint(half * grid.t / math.pi)
    limit = many * np.where(np.remainder(turns * (many - 1), 2.0) == 0.0, 1.0, -1.0)
    found: Floats = np.where(near, limit, grid.sines(many * half) / np.where(near, 1.0, below))
    return found


class Clipped(NamedTuple):
    """``factor`` times max(0, normal(mean, sd))."""

    normal_mean: float
    normal_sd: float
    factor: float = 1.0

    @property
    def mean(self) -> float:
        """The mean value: :func:`feedsim.probability.normal.positive_mean`, times the factor."""
        return self.factor * _moments(self.normal_mean, self.normal_sd)[0]

    @property
    def variance(self) -> float:
        """The variance: E[x²] = (m² + s²)·Φ(m/s) + m·s·φ(m/s), less the mean squared.

        Source as for the mean, any text on limited dependent variables.
        """
        mean, square = _moments(self.normal_mean, self.normal_sd)
        return self.factor**2 * max(0.0, square - mean * mean)

    @property
    def bounds(self) -> tuple[float, float]:
        """The lowest and the highest relevant value."""
        far = self.factor * max(0.0, self.normal_mean + _FAR * self.normal_sd)
        return min(0.0, far), max(0.0, far)

    def times(self, factor: float) -> Clipped:
        """Return all values multiplied by a factor."""
        return Clipped(self.normal_mean, self.normal_sd, factor * self.factor)

    def wave(self, grid: EvenGrid) -> NDArray[np.complex128]:
        """Return the characteristic function, shape (terms,).

        Φ(−m/s) for the clipped part, and ½·e^(−m²/2s²)·w((st − im/s)/√2) for the rest, with
        Faddeeva's w (the integral of a Gauss curve from 0 on; Abramowitz and Stegun, 7.1.3).
        """
        s, z = self.normal_sd, self.normal_mean / self.normal_sd
        clipped = share_below(-z)
        above = grid.faddeeva(-1j * z / math.sqrt(2.0), s * self.factor / math.sqrt(2.0))
        return clipped + 0.5 * kept_of_wave(z) * above


@lru_cache(maxsize=256)
def _moments(m: float, s: float) -> tuple[float, float]:
    square = (m * m + s * s) * share_below(m / s) + m * s * density(m / s)
    return positive_mean(m, s), square


@lru_cache(maxsize=8)
def normal_nodes(many: int) -> tuple[Floats, Floats]:
    """Return the nodes, in standard deviations and rising, and shares of a normal law.

    Gauss-Hermite quadrature (Abramowitz and Stegun, 25.4.46).
    """
    values, weights = np.polynomial.hermite_e.hermegauss(many)
    return values, weights / weights.sum()


def merged(places: Floats, shares: Floats, *, most: int) -> dict[float, float]:
    """Return values with their shares, near ones merged at their mean.

    Near: within 1/``most`` of the whole range. The mean stays, the variance falls by at most
    (range/2·most)², and no value moves by more than range/most (elementary).

    Parameters
    ----------
    places, shares : array, shape (values,)
        The values and their probabilities.
    most : int
        Largest number of values; fewer stay unchanged.
    """
    low, high = float(places.min()), float(places.max())
    if len(places) <= most or high == low:
        found: dict[float, float] = {}
        for place, share in zip(places.tolist(), shares.tolist(), strict=True):
            found[place] = found.get(place, 0.0) + share
        return found
    bins = np.minimum((places - low) * (most / (high - low)), most - 1).astype(np.intp)
    whole = np.bincount(bins, weights=shares, minlength=most)
    sums = np.bincount(bins, weights=shares * places, minlength=most)
    return {float(s / p): float(p) for s, p in zip(sums, whole, strict=True) if p > 0.0}
