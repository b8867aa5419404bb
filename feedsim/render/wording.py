"""Numbers as people read them in tables and figures."""

from __future__ import annotations

import math

from feedsim.metrics.intervals import Interval
from feedsim.quantities import System, display_unit

__all__ = ["DASH", "length", "length_number", "percent", "percent_range", "tail"]

DASH = "-"
_PLACES: dict[System, int] = {"metric": 3, "inch": 4}  # a thousandth of a mm; 2.5 of them


def length_number(value: float, units: System, *, sign: bool = False) -> str:
    """Write a length in the unit of display, without it, to about a thousandth of a mm.

    Parameters
    ----------
    value : float
        mm.
    units : {"metric", "inch"}
    sign : bool
        Write a plus too. Zero has no sign.
    """
    text = f"{value * display_unit('length', units).factor:{'+' if sign else ''}.{_PLACES[units]}f}"
    return text if float(text) else text.lstrip("+-")


def length(value: float, units: System, *, sign: bool = False) -> str:
    """Write a length (mm) with the unit of display.

    >>> length(0.4021, "metric"), length(25.4, "inch", sign=True)
    ('0.402 mm', '+1.0000 in')
    """
    return f"{length_number(value, units, sign=sign)} {display_unit('length', units).label}"


def percent(share: float | None, *, digits: int = 3) -> str:
    """Write a share in per cent, so that only nothing is 0 and only all is 100.

    Parameters
    ----------
    share : float or None
        0 to 1; a dash stands for None.
    digits : int
        Of what is missing to 0 or to 100 per cent, whichever is nearer.

    Examples
    --------
    >>> percent(0.0008), percent(0.999174), percent(0.9999998), percent(1.0), percent(None)
    ('0.08 %', '99.9174 %', '99.99998 %', '100 %', '-')
    """
    return DASH if share is None else f"{_percent_number(share, digits)} %"


def percent_range(interval: Interval | None) -> str:
    """Write an interval of a share, with two digits.

    >>> percent_range(Interval(0.99847, 0.99969))
    '99.85 to 99.969 %'
    """
    if interval is None:
        return DASH
    return f"{_percent_number(interval.low, 2)} to {percent(interval.high, digits=2)}"


def _percent_number(share: float, digits: int) -> str:
    value = 100.0 * share
    edge = min(abs(value), abs(100.0 - value))
    if edge == 0.0:
        return f"{value:.0f}"
    places = min(12, max(1, digits - 1 - math.floor(math.log10(edge))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").removesuffix(".") if "." in text else text


def tail(probability: float | None) -> str:
    """Write a probability of the tail of a distribution.

    >>> tail(0.0213), tail(3.4e-5), tail(1e-30), tail(0.0), tail(None)
    ('2.1 %', '0.0034 %', 'under 1e-9', 'under 1e-9', '-')
    """
    if probability is None:
        return DASH
    return percent(probability, digits=2) if probability >= 1e-9 else "under 1e-9"
