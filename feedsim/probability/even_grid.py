"""Waves on a long even grid, for the work of two short ones.

A wave e^(ixt) at t = step·(k + ½) is a geometric series: at k = 128·m + j it is the product of the
values for m and j (elementary). So twenty thousand values are the products of 157 by 128, to within
a few rounding steps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats

Waves = NDArray[np.complex128]

_SHORT = 2048
_SERIES_FROM = 4096
_FEW_VALUES = 8
_EVEN = 1e-9
_BLOCK = 128
_STRIDE, _TERMS = 32, 18
_FAR, _FAR_TERMS = 20.0, 8


@dataclass(frozen=True, slots=True)
class EvenGrid:
    """The places t = step·(k + ½), k from 0 to terms − 1, of a wave (elementary).

    Up to 2048 values are computed one by one.
    """

    step: float
    terms: int
    t: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "t", self.step * _places(self.terms))

    @property
    def is_long(self) -> bool:
        """Whether it is computed in blocks."""
        return self.terms > _SHORT

    def turned(self, x: float) -> Waves:
        """Return e^(ixt), shape (terms,)."""
        if not self.is_long:
            return np.asarray(np.exp(1j * x * self.t), dtype=np.complex128)
        blocks = np.arange(-(-self.terms // _BLOCK), dtype=np.float64) * _BLOCK + 0.5
        far, near = (np.exp(1j * x * self.step * k) for k in (blocks, np.arange(_BLOCK)))
        found: Waves = np.multiply.outer(far, near).ravel()[: self.terms]
        return found

    def of_values(self, values: Mapping[float, float]) -> Waves:
        """Return Σ p·e^(ixt) over values x of probabilities p, shape (terms,).

        Of values at equal distances d each is the one before times e^(idt) (elementary).
        """
        if self.is_long or len(values) <= _FEW_VALUES:
            return np.asarray(sum(p * self.turned(x) for x, p in values.items()))
        x, p = np.array([*values.items()]).T
        apart = x[1:] - x[:-1]
        if np.abs(apart - apart[0]).max() <= _EVEN * abs(apart[0]):
            each = np.empty((len(x), self.terms), dtype=np.complex128)
            each[0], each[1:] = self.turned(x[0]), self.turned((x[-1] - x[0]) / (len(x) - 1))
            np.multiply.accumulate(each, out=each)
        else:
            each = np.exp(1j * np.multiply.outer(x, self.t))
        return np.asarray(np.einsum("i,ij", p, each), dtype=np.complex128)

    def sines(self, x: float) -> Floats:
        """Return sin(xt), shape (terms,)."""
        return self.turned(x).imag if self.is_long else np.sin(x * self.t)

    def uniform(self, halves: Mapping[float, int]) -> Floats:
        """Return the wave of a sum of uniform parts, shape (terms,).

        Π (sin(at)/(at))ⁿ, n parts of half-width a each (any text).
        """
        wide = np.array([*halves])[:, None]
        if self.is_long:
            each = np.stack([self.turned(half).imag for half in halves]) / (wide * self.t)
        else:
            x = math.pi * (wide * self.t / math.pi)  # as NumPy's sinc has it
            each = np.sin(x) / x
        for row, times in enumerate(halves.values()):
            if times > 1:
                each[row] **= times
        return np.asarray(np.multiply.reduce(each), dtype=np.float64)

    def faddeeva(self, at: complex, per_t: float) -> Waves:
        """Return Faddeeva's w(at + per_t·t), shape (terms,).

        On a long grid: its power series about every 32nd place, from w' = 2i/√π − 2zw (Abramowitz
        and Stegun, 7.1.20), 18 terms, error below 1e-10. For |z| above 20:
        i/(√π·z)·(1 + 1/(2z²) + 3/(2z²)² + …), 8 terms (the same, 7.1.23; below the axis this omits
        2·e^(−z²), negligible there), error below 1e-15.
        """
        from scipy.special import wofz

        places: Waves = np.asarray(at + per_t * self.t, dtype=np.complex128)
        if not self.is_long:
            return np.asarray(wofz(places), dtype=np.complex128)
        near = self._near(abs(per_t))
        square = 0.5 / places[near:] ** 2
        far = np.ones_like(square)
        for n in range(_FAR_TERMS, 0, -1):
            far = 1.0 + (2 * n - 1) * square * far
        far *= 1j / math.sqrt(math.pi) / places[near:]
        if near <= _SERIES_FROM:
            return np.concatenate((wofz(places[:near]), far))
        return np.concatenate((_series(places[:near], per_t * self.step), far))

    def _near(self, per_t: float) -> int:
        """Return the number of places near 0."""
        if per_t == 0.0:
            return self.terms
        return min(self.terms, math.ceil(_FAR / (per_t * self.step)))


@lru_cache(maxsize=64)
def _places(terms: int) -> Floats:
    """Return k + ½, k from 0 to terms − 1."""
    found = np.arange(terms, dtype=np.float64) + 0.5
    found.setflags(write=False)
    return found


def _series(places: Waves, step: float) -> Waves:
    """Return w at even places close enough for a power series to reach 16 of them."""
    from scipy.special import wofz

    starts = places[::_STRIDE] + step * 0.5 * _STRIDE
    series = [np.asarray(wofz(starts), dtype=np.complex128)]
    series.append(2j / math.sqrt(math.pi) - 2.0 * starts * series[0])
    for n in range(1, _TERMS - 1):
        series.append(-2.0 * (starts * series[n] + series[n - 1]) / (n + 1))
    powers = np.vander(step * (np.arange(_STRIDE) - 0.5 * _STRIDE), _TERMS, increasing=True)
    # row by row: one large product starts threads, which occupy cores while they wait
    return np.asarray((np.column_stack(series)[:, None] @ powers.T).ravel()[: len(places)])
