"""Numbers as people read them: one writer for each kind, and one rule for their digits.

A number has as many digits as its evidence carries:

- A counted share goes to the decimal place in which its standard error begins, a quarter of the
  width of its 95 % interval: 97.3 % of 1,494 carriers, but 99.98 % of 5000 with one missed. A
  typed-in or computed share has three digits of its distance to 0 or 100 per cent; the ends of an
  interval and the tail of a distribution have two. Only exactly none is 0 %, and only exactly all
  is 100 %.
- A measured or computed length goes to a thousandth of a mm, or 0.0001 in.
- Speeds, accelerations, times, and typed-in lengths have four significant digits
  (:func:`feedsim.quantities.display`), no zeros at the end, and times below 1 s are in ms.
- Counts are whole, in groups of three from 10,000 on.
"""

from __future__ import annotations

from feedsim.metrics.intervals import Interval
from feedsim.metrics.percent import DASH, percent, percent_range
from feedsim.quantities import System, display, display_unit, noun_for, whole

NO_INTERVAL = "no interval below 20"
"""Too few values to know how alike neighbours are (MODEL.md, section 18)."""
_PLACES: dict[System, int] = {"metric": 3, "inch": 4}  # a thousandth of a mm; 2.5 of them


def number(value: float, places: int, *, sign: bool = False) -> str:
    """Write a number to some decimal places; zero has no sign.

    >>> number(-0.004, 2), number(1.5, 2, sign=True)
    ('0.00', '+1.50')
    """
    text = f"{value:{'+' if sign else ''}.{places}f}"
    return text if float(text) else text.lstrip("+-")


def length_number(value: float, units: System, *, sign: bool = False) -> str:
    """Write a length (mm) in the unit of display, without it, to about a thousandth of a mm.

    ``sign``: write a plus too. Zero has no sign.
    """
    return number(value * display_unit("length", units).factor, _PLACES[units], sign=sign)


def length(value: float | None, units: System, *, sign: bool = False) -> str:
    """Write a length (mm) with the unit of display; a dash stands for None.

    >>> length(0.4021, "metric"), length(25.4, "inch", sign=True)
    ('0.402 mm', '+1.0000 in')
    """
    if value is None:
        return DASH
    return f"{length_number(value, units, sign=sign)} {display_unit('length', units).label}"


def length_range(low: float, high: float, units: System, *, sign: bool = False) -> str:
    """Write a range of lengths (mm).

    >>> length_range(-0.008, 0.0213, "metric", sign=True)
    '-0.008 to +0.021 mm'
    """
    return f"{length_number(low, units, sign=sign)} to {length(high, units, sign=sign)}"


def speed(value: float, units: System, *, digits: int = 4) -> str:
    """Write a speed (mm/s).

    >>> speed(1000.0, "metric"), speed(1000.0, "inch")
    ('60 m/min', '196.9 ft/min')
    """
    return display(value, "speed", units=units, digits=digits)


def acceleration(value: float, units: System, *, digits: int = 3) -> str:
    """Write an acceleration (mm/s²).

    >>> acceleration(1e5, "metric"), acceleration(1e5, "inch")
    ('100 m/s²', '3937 in/s²')
    """
    return display(value, "acceleration", units=units, digits=digits)


def time(value: float, *, digits: int = 4) -> str:
    """Write a time (s).

    >>> time(0.1756), time(90.0)
    ('175.6 ms', '90 s')
    """
    return display(value, "time", digits=digits)


def agrees(name: str, one: str, many: str) -> str:
    """Return the verb form for a name: `many` if the name is a plural.

    >>> agrees("late openings", "binds", "bind"), agrees("tail held", "binds", "bind")
    ('bind', 'binds')
    """
    words = name.split()
    return many if "and" in words or words[0].endswith("s") or words[-1].endswith("s") else one


def hazard_name(name: str) -> str:
    """Write the name of a hazard; a double is a double fed, since the check may find others.

    >>> hazard_name("tail_held"), hazard_name("double")
    ('tail held', 'double fed')
    """
    return "double fed" if name == "double" else name.replace("_", " ")


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write a count with its noun.

    >>> counted(1, "carrier"), counted(0, "carrier"), counted(20000, "gap in it", "gaps in it")
    ('1 carrier', '0 carriers', '20,000 gaps in it')
    """
    return f"{whole(number)} {noun_for(number, noun, plural)}"


def within(
    share: float | None,
    ci95: Interval | None,
    upper95: float | None = None,
    *,
    unlike: float | None = None,
) -> str:
    """Write a counted share with its interval, or that there is none, or that none was seen.

    If unseen events come in runs of L, their share may be L times as large.

    >>> within(0.9998, Interval(0.9989, 0.999965)), within(0.0, Interval(0.0, 0.002), 0.0015)
    ('99.98 % (95 %: 99.89 to 99.9965 %)', 'none seen (95 %: below 0.15 %, unless in runs)')
    >>> within(0.25, None), within(None, None)
    ('25 % (no interval below 20)', '-')
    """
    if upper95 is not None:
        return f"none seen (95 %: below {percent(upper95, digits=2)}, unless in runs)"
    if share is None:
        return DASH
    shown = percent(share, ci95, unlike=unlike)
    return f"{shown} ({f'95 %: {percent_range(ci95)}' if ci95 else NO_INTERVAL})"


def seldom(share: float | None, ci95: Interval | None, upper95: float | None) -> str:
    """Write a counted loss in little room; if none was seen, the share not ruled out.

    >>> seldom(0.0, Interval(0.0, 0.0008), 0.0006), seldom(0.0002, Interval(0.0, 0.001), None)
    ('0 (< 0.06 %)', '0.02 %')
    """
    if upper95 is not None:
        return f"0 (< {percent(upper95, digits=2)})"
    return percent(share, ci95)


def tail(probability: float | None) -> str:
    """Write a probability of the tail of a distribution.

    >>> tail(0.0213), tail(3.4e-5), tail(1e-30), tail(0.0), tail(None)
    ('2.1 %', '0.0034 %', 'under 1e-9', 'under 1e-9', '-')
    """
    if probability is None:
        return DASH
    return percent(probability, digits=2) if probability >= 1e-9 else "under 1e-9"
