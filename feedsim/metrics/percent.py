"""Shares in per cent, with as many digits as their evidence carries.

:mod:`feedsim.render.wording` states the rule.
"""

from __future__ import annotations

import math

from feedsim.metrics.intervals import Interval, sd_behind

DASH = "-"


def percent(
    share: float | None,
    ci95: Interval | None = None,
    *,
    digits: int = 3,
    unlike: float | None = None,
) -> str:
    """Write a share in per cent; only exactly none is 0 and only exactly all is 100.

    A dash stands for None. ``ci95``: of a counted share; it sets the number of digits. ``digits``:
    for a share that was not counted, significant ones of its distance to 0 or 100 per cent,
    whichever is nearer. ``unlike``: a limit to compare with; digits are added until the text shows
    on which side it lies.

    >>> percent(0.0008), percent(0.999174), percent(0.9999998), percent(1.0), percent(None)
    ('0.08 %', '99.9174 %', '99.99998 %', '100 %', '-')
    >>> percent(0.973226, Interval(0.96, 0.98)), percent(0.9998, Interval(0.9989, 0.99996))
    ('97.3 %', '99.98 %')
    >>> percent(0.00100503, Interval(0.0002, 0.0058), unlike=0.001)
    '0.101 %'
    """
    return DASH if share is None else f"{_number(share, ci95, digits, unlike)} %"


def percent_range(interval: Interval | None) -> str:
    """Write an interval of a share, with two digits.

    >>> percent_range(Interval(0.99847, 0.99969))
    '99.85 to 99.969 %'
    """
    if interval is None:
        return DASH
    return f"{_number(interval.low, None, 2, None)} to {percent(interval.high, digits=2)}"


def percent_of_all(share: float, *, digits: int = 0) -> str:
    """Write a computed part of a whole, such as a share of a variance.

    All parts have the same number of decimals, so that they compare and add up: none in a sentence,
    one in a table (``digits``). Only exactly none is 0, and only exactly all is 100.

    >>> percent_of_all(0.873), percent_of_all(0.0004, digits=1), percent_of_all(0.9997, digits=1)
    ('87 %', 'under 0.1 %', 'over 99.9 %')
    """
    step = 10.0**-digits
    text = f"{100.0 * share:.{digits}f}"
    if float(text) == 0.0 and share > 0.0:
        return f"under {step:g} %"
    if float(text) == 100.0 and share < 1.0:
        return f"over {100.0 - step:g} %"
    return f"{text} %"


def _number(share: float, ci95: Interval | None, digits: int, unlike: float | None) -> str:
    value = 100.0 * share
    edge = min(abs(value), abs(100.0 - value))
    if edge == 0.0:
        return f"{value:.0f}"
    first = -math.floor(math.log10(edge))  # place of its first digit
    places = max(1, first + digits - 1)
    if ci95 is not None and ci95.high > ci95.low:
        error = 100.0 * sd_behind(*ci95)
        places = max(0, first, -math.floor(math.log10(error)))
    places = min(12, places)
    if unlike is not None:
        while places < 12 and abs(round(value, places) - 100.0 * unlike) < 1e-12:
            places += 1
    text = f"{value:.{places}f}"
    return text.rstrip("0").removesuffix(".") if "." in text else text
