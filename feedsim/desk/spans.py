"""Range and steps of a slider, chosen about the present value."""

from __future__ import annotations

import math
from dataclasses import dataclass

_PARTS, _BIG = 200, 10
_TIMES, _LEAST = 2.5, 0.2


@dataclass(frozen=True, slots=True)
class Slider:
    """A range in the unit of the knob; ``step`` by an arrow key, ``big`` by a page key."""

    low: float
    high: float
    step: float
    big: float


def slider(
    value: float | None,
    *,
    at_least: float,
    at_most: float,
    usual: float,
    whole: bool = False,
) -> Slider | None:
    """Return a range about a value: from 0, or its negative, to a multiple of it, within bounds.

    ``value``: None if it is not a number. ``usual``: a typical size, used if there is no value, in
    part if the value is small. ``whole``: only whole numbers.

    >>> slider(60.0, at_least=0.0, at_most=math.inf, usual=60.0)
    Slider(low=0.0, high=150.0, step=0.5, big=5.0)
    >>> slider(80.0, at_least=0.0, at_most=100.0, usual=5.0)
    Slider(low=0.0, high=100.0, step=0.5, big=5.0)
    """
    about = max(abs(value), _LEAST * usual) if value and math.isfinite(value) else usual
    low, high = (0.0 if at_least >= 0.0 else -_TIMES * about), _TIMES * about
    low, high = max(low, at_least), min(high, at_most)
    if not low < high:
        return None
    step = _nice((high - low) / _PARTS)
    if whole:
        step = max(1.0, step)
    low, high = step * math.floor(low / step + 1e-9), step * math.ceil(high / step - 1e-9)
    low, high = _tidy(max(low, at_least)), _tidy(min(high, at_most))
    return Slider(low, high, _tidy(step), _tidy(min(_BIG * step, high - low)))


def _nice(value: float) -> float:
    """Return the largest of 1, 2, 5, 10 … times a power of ten that is no larger."""
    power = 10.0 ** math.floor(math.log10(value))
    return next((m * power for m in (5.0, 2.0, 1.0) if m * power <= value * (1.0 + 1e-9)), power)


def _tidy(value: float) -> float:
    return float(f"{value:.10g}")
