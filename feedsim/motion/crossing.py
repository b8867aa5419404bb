"""First instants at which smooth curves of one known form reach a level."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

__all__ = ["first_rise", "increasing_root"]

_ENOUGH_S = 1e-10  # Newton converges quadratically: the step after one this small is below 1e-17
_MOST_STEPS = 200


def increasing_root(
    value: Callable[[float], tuple[float, float]], low: float, *, high: float, start: float
) -> float:
    """Root of a function that does not fall between ``low`` and ``high``.

    Newton's method, kept inside a bracket by bisection (Press et al., Numerical Recipes,
    section 9.4, ``rtsafe``).

    Parameters
    ----------
    value : callable
        Returns the function and its derivative at a point.
    low, high : float
        value(low) ≤ 0 ≤ value(high).
    start : float
        First guess.
    """
    s = start if low < start < high else 0.5 * (low + high)
    for _ in range(_MOST_STEPS):
        f, slope = value(s)
        if f > 0.0:
            high = s
        else:
            low = s
        step = f / slope if slope > 0.0 else math.inf
        nxt = s - step
        if abs(step) < _ENOUGH_S:
            return min(max(nxt, low), high)
        if not low < nxt < high:
            nxt = 0.5 * (low + high)
            if nxt in (low, high):
                return nxt
        s = nxt
    return s


def first_rise(poly: tuple[float, float, float], *, decay: float, rate: float, end: float) -> float:
    """First s in 0…end at which h(s) = a0 + a1·s + a2·s² + b·exp(−rate·s) is 0 or above.

    h has at most two turning points, since h″ changes sign at most once; between them it
    is monotone, so the first crossing is bracketed exactly.

    Parameters
    ----------
    poly : (float, float, float)
        a0, a1, a2.
    decay : float
        b; ``rate`` (1/s, above 0) is not looked at where it is 0.
    end : float
        Seconds, may be ``inf``.

    Returns
    -------
    float
        Seconds, ``inf`` if there is none.
    """
    a0, a1, a2 = poly

    def value(s: float) -> tuple[float, float]:
        e = decay * math.exp(-rate * s) if decay else 0.0
        return a0 + (a1 + a2 * s) * s + e, a1 + 2.0 * a2 * s - rate * e

    if value(0.0)[0] >= 0.0:
        return 0.0
    low = 0.0
    for turn in [*_turns(a1, a2, decay=decay, rate=rate, end=end), end]:
        high = _finite(value) if turn == math.inf else turn
        if high is not None and value(high)[0] >= 0.0:
            return increasing_root(value, low, high=high, start=0.5 * (low + high))
        low = turn
    return math.inf


def _finite(value: Callable[[float], tuple[float, float]]) -> float | None:
    """Return a point beyond which an unbounded monotone branch has risen to 0, or None."""
    high = 1.0
    while high < 1e9:
        f, slope = value(high)
        if f >= 0.0:
            return high
        if slope <= 0.0 and high > 1e3:
            return None
        high *= 2.0
    return None


def _turns(a1: float, a2: float, *, decay: float, rate: float, end: float) -> list[float]:
    """Return the turning points of h in (0, end), in order."""
    if not decay:
        turn = -a1 / (2.0 * a2) if a2 else -1.0
        return [turn] if 0.0 < turn < end else []

    def slope(s: float) -> float:
        return a1 + 2.0 * a2 * s - rate * decay * math.exp(-rate * s)

    bends = [0.0]
    ratio = -decay * rate * rate / (2.0 * a2) if a2 else 0.0
    if ratio > 1.0:
        bend = math.log(ratio) / rate
        if bend < end:
            bends.append(bend)
    bends.append(min(end, bends[-1] + 60.0 / rate + abs(a1 / a2 if a2 else 0.0) + 1.0))
    turns = []
    for low, high in pairwise(bends):
        down, up = slope(low), slope(high)
        if down * up < 0.0:
            sign = 1.0 if up > 0.0 else -1.0
            turns.append(_root_of(slope, low, high=high, sign=sign))
    return turns


def _root_of(function: Callable[[float], float], low: float, *, high: float, sign: float) -> float:
    """Bisect to the last digit: turning points are rare and need no speed."""
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if sign * function(middle) > 0.0:
            high = middle
        else:
            low = middle
