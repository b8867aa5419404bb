"""A straight line through values that are known to lie within bounds: counts, rounded times."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.figures import Figure

__all__ = ["BoundedLine", "bounded_line"]

Floats = NDArray[np.float64]
Width = Callable[[float], float]
_GRID = 401
_HALVINGS = 60
_MOST = 4000


@dataclass(frozen=True, slots=True)
class BoundedLine:
    """The lines y = a + b·u that pass through all bounds.

    ``slope``: b. ``height``: a + b·centre, ``centre`` the middle of all u. ``height_half``: half
    width of a uniform law as wide as what is left open of the height.
    """

    slope: Figure
    centre: float
    height: Figure
    height_half: float

    def at(self, u: Floats) -> Floats:
        """Return the middle line at u."""
        return self.height.value + self.slope.value * (u - self.centre)


def bounded_line(u: Floats, low: Floats, high: Floats) -> BoundedLine | None:
    """Find the lines y = a + b·u with low ≤ y ≤ high; None where there is none.

    Parameters
    ----------
    u, low, high : float64 arrays, shape (n,)
        ``u`` rising.

    Notes
    -----
    For a slope b the heights are those from max(low − b·u) to min(high − b·u): their width is a
    concave function of b, so that the slopes that have any are one stretch. The intervals take
    every line as likely as any other, as a rounding at random phase makes it: all lines explain
    what was read equally well (Bayes, with a flat prior).
    """
    if len(u) < 2 or u[-1] <= u[0]:
        return None
    centre = 0.5 * float(u[0] + u[-1])
    x = u - centre
    middle = 0.5 * (low + high)
    about = x - x.mean()
    slope = float(about @ middle) / float(about @ about)
    reach = 2.0 * float(np.max(high - low)) / float(np.max(np.abs(x)))
    x, low, high = _tight(x, low, high, slope)

    def width(b: float) -> float:
        return float(np.min(high - b * x) - np.max(low - b * x))

    best = _widest(width, slope - reach, slope + reach)
    if width(best) < 0.0:
        return None
    ends = [_end(width, best, best + side * 2.0 * reach) for side in (-1.0, 1.0)]
    slopes = np.linspace(ends[0], ends[1], _GRID)
    lows = np.max(low[None, :] - slopes[:, None] * x[None, :], axis=1)
    highs = np.maximum(np.min(high[None, :] - slopes[:, None] * x[None, :], axis=1), lows)
    grid = np.linspace(float(lows.min()), float(highs.max()), _GRID)
    inside = (grid >= lows[:, None]) & (grid <= highs[:, None])
    b, b_low, b_high = _law(slopes, highs - lows)
    a, a_low, a_high = _law(grid, inside.sum(axis=0).astype(np.float64))
    n, half = len(u), 0.5 * float(np.max(highs - lows))
    return BoundedLine(Figure(b, b_low, b_high, n), centre, Figure(a, a_low, a_high, n), half)


def _tight(x: Floats, low: Floats, high: Floats, slope: float) -> tuple[Floats, Floats, Floats]:
    """Keep of many bounds the tightest of each stretch: within one the slope hardly matters."""
    n = len(x)
    if n <= _MOST:
        return x, low, high
    starts = np.linspace(0, n, _MOST // 2, endpoint=False).astype(np.intp)
    ends = np.append(starts[1:], n)
    bottom, top = low - slope * x, high - slope * x
    kept = {
        int(place)
        for begin, end in zip(starts.tolist(), ends.tolist(), strict=True)
        for place in (begin + np.argmax(bottom[begin:end]), begin + np.argmin(top[begin:end]))
    }
    places = np.array(sorted(kept))
    return x[places], low[places], high[places]


def _widest(width: Width, first: float, last: float) -> float:
    """Return where a concave function is largest, by thirds."""
    for _ in range(_HALVINGS):
        third = (last - first) / 3.0
        if width(first + third) < width(last - third):
            first += third
        else:
            last -= third
    return 0.5 * (first + last)


def _end(width: Width, inside: float, outside: float) -> float:
    """Return where a width becomes 0 between a slope inside and one outside, by halving."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        if width(middle) >= 0.0:
            inside = middle
        else:
            outside = middle
    return inside


def _law(at: Floats, mass: Floats) -> tuple[float, float, float]:
    """Return mean, 2.5 % and 97.5 % points of a mass along a row of places."""
    mass = mass if mass.sum() > 0.0 else np.ones_like(mass)
    mass = mass / mass.sum()
    mean = float(mass @ at)
    low, high = np.interp([0.025, 0.975], np.cumsum(mass) - 0.5 * mass, at)
    return mean, float(low), float(high)
