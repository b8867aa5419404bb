"""Sums of polynomials times decaying exponentials, and their integrals in closed form.

On a stretch of length L every speed and acceleration of the feed is Σⱼ Pⱼ(u)·exp(−j·x·u), u the
elapsed share of the stretch, 0 to 1, and x = K·L with the servo's loop gain K. Products have the
same form, and ∫₀¹ uⁿ·exp(−x·u) du is an incomplete gamma function: by its recursion for large x, by
its series for small x (Abramowitz and Stegun, 6.5).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from itertools import pairwise

from feedsim.motion.crossing import turns as curve_turns

Wave = Mapping[int, tuple[float, ...]]
"""For each j the coefficients of Pⱼ, the constant first."""

_SERIES_BELOW = 5.0
_TERMS = 40
_HALVINGS = 50


def moment(n: int, x: float) -> float:
    """Return ∫₀¹ uⁿ·exp(−x·u) du, n up to about 12, x 0 or more."""
    if x < _SERIES_BELOW:
        term, total = 1.0, 0.0
        for k in range(_TERMS):
            total += term / (n + k + 1)
            term *= -x / (k + 1)
        return total
    decayed = math.exp(-x)
    found = (1.0 - decayed) / x
    for k in range(1, n + 1):
        found = (k * found - decayed) / x
    return found


def product(first: Wave, second: Wave) -> dict[int, tuple[float, ...]]:
    """Return the product of two waves with the same x."""
    out: dict[int, list[float]] = {}
    for i, p in first.items():
        for j, q in second.items():
            sums = out.setdefault(i + j, [])
            sums.extend([0.0] * (len(p) + len(q) - 1 - len(sums)))
            for m, a in enumerate(p):
                for n, b in enumerate(q):
                    sums[m + n] += a * b
    return {j: tuple(sums) for j, sums in out.items()}


def whole(wave: Wave, x: float) -> float:
    """Return the integral of a wave over u from 0 to 1."""
    return math.fsum(
        c * moment(n, j * x) for j, p in wave.items() for n, c in enumerate(p) if c != 0.0
    )


def value_of(wave: Wave, x: float, u: float) -> float:
    """Return the value of a wave at u."""
    total = 0.0
    for j, p in wave.items():
        here = 0.0
        for c in reversed(p):
            here = here * u + c
        total += here * math.exp(-j * x * u) if j else here
    return total


def crossings(wave: Wave, x: float, target: float) -> list[float]:
    """Return where a parabola with one exponential crosses a value, 0 < u < 1, rising.

    c₀ + c₁u + c₂u² + d·exp(−x·u): its second derivative vanishes at most once, so between that
    place and the roots of the first derivative it is monotonic.
    """
    places = [0.0, *turns(wave, x), 1.0]
    return _roots(lambda u: value_of(wave, x, u) - target, places)


def turns(wave: Wave, x: float) -> list[float]:
    """Return where such a wave turns from rising to falling or back, 0 < u < 1."""
    _, c1, c2, *_ = (*wave.get(0, ()), 0.0, 0.0, 0.0)
    d = wave.get(1, (0.0,))[0] if x else 0.0
    return [u for u in curve_turns((0.0, c1, c2, 0.0, 0.0, d, x, 0.0), 1.0) if u < 1.0]


def _roots(f: Callable[[float], float], places: list[float]) -> list[float]:
    """Return the roots of a function that is monotonic between the places."""
    found = []
    for low, high in pairwise(places):
        at_low, at_high = f(low), f(high)
        if at_low * at_high < 0.0:
            found.append(_root(f, low, high, falls=at_low > 0.0))
        elif at_high == 0.0:
            found.append(high)
    return [u for u in found if 0.0 < u < 1.0]


def _root(f: Callable[[float], float], low: float, high: float, *, falls: bool) -> float:
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if (f(middle) > 0.0) == falls:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
