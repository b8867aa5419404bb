"""First instants at which smooth curves of one known form reach a level."""

from __future__ import annotations

import math

from feedsim.arrays import Value

_ENOUGH_S = 1e-10  # Newton converges quadratically: the step after one this small is below 1e-17
_MOST_STEPS = 200

Curve = tuple[float, float, float, float, float, float, float, float]
"""a0…a4, b, rate and level of h(s) = a0 + a1·s + … + a4·s⁴ + b·exp(−rate·s) − level."""


def cubic(a0: Value, a1: Value, a2: Value, a3: Value, s: Value) -> Value:
    """Return a0 + a1·s + a2·s² + a3·s³, of floats or of arrays, by Horner's scheme (any text)."""
    return a0 + (a1 + (a2 + a3 * s) * s) * s


def curve_at(curve: Curve, s: float) -> tuple[float, float]:
    """Return h of a :data:`Curve` and its slope at ``s``; the rate is ignored if b is 0."""
    a0, a1, a2, a3, a4, b, rate, level = curve
    h = a0 + cubic(a1, a2, a3, a4, s) * s
    slope = cubic(a1, 2.0 * a2, 3.0 * a3, 4.0 * a4, s)
    if b == 0.0:
        return h - level, slope
    e = b * math.exp(-rate * s)
    return h + e - level, slope - rate * e


def increasing_root(curve: Curve, low: float, *, high: float, start: float) -> float:
    """Root of a curve that does not fall between ``low`` and ``high``.

    Newton's method, kept inside a bracket by bisection (Press et al., Numerical Recipes,
    section 9.4, ``rtsafe``).

    Parameters
    ----------
    low, high : float
        h(low) ≤ 0 ≤ h(high).
    start : float
        First guess.
    """
    s = start if low < start < high else 0.5 * (low + high)
    for _ in range(_MOST_STEPS):
        f, slope = curve_at(curve, s)
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
    is monotone, so the first crossing is bracketed exactly (elementary).

    Parameters
    ----------
    poly : (float, float, float)
        a0, a1, a2.
    decay : float
        b; ``rate`` (1/s, above 0) is ignored if it is 0.
    end : float
        Seconds, may be ``inf``.

    Returns
    -------
    float
        Seconds, ``inf`` if there is none.
    """
    a0, a1, a2 = poly
    curve = (a0, a1, a2, 0.0, 0.0, decay, rate, 0.0)
    if curve_at(curve, 0.0)[0] >= 0.0:
        return 0.0
    low = 0.0
    first, second = turns(curve, end)
    for turn in (first, second, end):
        if turn > end:  # no more turning points
            continue
        high = _risen(curve) if turn == math.inf else turn
        if high < math.inf and curve_at(curve, high)[0] >= 0.0:
            return increasing_root(curve, low, high=high, start=0.5 * (low + high))
        low = turn
        if low == math.inf:
            break
    return math.inf


def _risen(curve: Curve) -> float:
    """Return a point beyond which an unbounded monotone branch has risen to 0, or ``inf``."""
    high = 1.0
    while high < 1e9:
        f, slope = curve_at(curve, high)
        if f >= 0.0:
            return high
        if slope <= 0.0 and high > 1e3:
            return math.inf
        high *= 2.0
    return math.inf


def turns(curve: Curve, end: float) -> tuple[float, float]:
    """Return the turning points of a curve with a3 = a4 = 0 in (0, end), ``inf`` for none.

    h' = 0, elementary.
    """
    _, a1, a2, _, _, b, rate, _ = curve
    if b == 0.0:
        turn = -a1 / (2.0 * a2) if a2 != 0.0 else -1.0
        return turn if 0.0 < turn < end else math.inf, math.inf
    ratio = -b * rate * rate / (2.0 * a2) if a2 != 0.0 else 0.0
    bend = math.log(ratio) / rate if ratio > 1.0 else math.inf  # where the slope turns
    last = bend if bend < end else 0.0
    far = min(end, last + 60.0 / rate + (abs(a1 / a2) if a2 != 0.0 else 0.0) + 1.0)
    if last == 0.0:
        return _turn(curve, 0.0, high=far), math.inf
    first, second = _turn(curve, 0.0, high=last), _turn(curve, last, high=far)
    return (first, second) if first < math.inf else (second, math.inf)


def _turn(curve: Curve, low: float, *, high: float) -> float:
    """Bisect for a change of the slope's sign to the last digit: rare, so speed does not matter."""
    down, up = _slope(curve, low), _slope(curve, high)
    if not down * up < 0.0:
        return math.inf
    sign = 1.0 if up > 0.0 else -1.0
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if sign * _slope(curve, middle) > 0.0:
            high = middle
        else:
            low = middle


def _slope(curve: Curve, s: float) -> float:
    _, a1, a2, _, _, b, rate, _ = curve
    return a1 + 2.0 * a2 * s - rate * b * math.exp(-rate * s)
