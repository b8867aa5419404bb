"""Kinds of quantities: the facts about each, and how to display one.

Inside feedsim every quantity is a float in mm, s, mm/s, mm/s², 1/s, or a share (1.0 is 100 %);
quantities of a drive are in N·m, kg·m², kg, kg/m³, W, N and turns a minute.
:mod:`feedsim.measures` reads them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, NamedTuple, get_args

from feedsim.units import Powers

_GROUPED_FROM = 10_000

Kind = Literal[
    "length",
    "time",
    "speed",
    "acceleration",
    "rate",
    "share",
    "torque",
    "inertia",
    "mass",
    "density",
    "power",
    "force",
    "angular speed",
]
System = Literal["metric", "inch"]

KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Facts:
    """The facts about a kind of quantity; sizes are in the internal unit."""

    powers: Powers
    internal: str
    smallest: float  # but for 0; anything nearer to 0 is a slip of the pen
    largest: float
    example: str
    units: str
    size: Fraction = Fraction(1)  # of the internal unit, in mm, s, kg and turns


FACTS: dict[Kind, Facts] = {
    "length": Facts(Powers(1), "mm", 1e-6, 1e9, "70 mm", "mm, cm, m, in or ft"),
    "time": Facts(Powers(0, 1), "s", 1e-9, 1e6, "20 ms", "us, ms, s, min or h"),
    "speed": Facts(
        Powers(1, -1), "mm/s", 1e-3, 1e6, "60 m/min", "m/min, mm/s, m/s, in/s or ft/min"
    ),
    "acceleration": Facts(
        Powers(1, -2), "mm/s^2", 1e-3, 1e9, "150 m/s^2", "m/s^2, mm/s^2 or ft/s^2"
    ),
    "rate": Facts(Powers(0, -1), "1/s", 1e-3, 1e6, "200 1/s", "1/s or 1/min"),
    "share": Facts(Powers(), "%", 1e-12, 1e3, "0.2 %", '%, ppm or "1 in 1000"'),
    "torque": Facts(
        Powers(2, -2, 1),
        "N*m",
        1e-9,
        1e6,
        "1.2 Nm",
        "Nm, mNm, lbf*in or lbf*ft",
        Fraction(10**6),
    ),
    "inertia": Facts(
        Powers(2, 0, 1),
        "kg*m^2",
        1e-15,
        1e6,
        "0.5 kg*cm^2",
        "kg*m^2, kg*cm^2, g*cm^2 or lb*in^2",
        Fraction(10**6),
    ),
    "mass": Facts(Powers(0, 0, 1), "kg", 1e-9, 1e6, "5 g", "kg, g, lb or oz"),
    "density": Facts(
        Powers(-3, 0, 1),
        "kg/m^3",
        1e-3,
        1e6,
        "7850 kg/m^3",
        "kg/m^3, g/cm^3 or lb/ft^3",
        Fraction(1, 10**9),
    ),
    "power": Facts(Powers(2, -3, 1), "W", 1e-6, 1e9, "400 W", "W, kW or hp", Fraction(10**6)),
    "force": Facts(Powers(1, -2, 1), "N", 1e-9, 1e9, "6 N", "N, kN or lbf", Fraction(1000)),
    "angular speed": Facts(
        Powers(0, -1, 0, 1), "rpm", 1e-6, 1e7, "3000 rpm", "rpm, rev/s or rad/s", Fraction(1, 60)
    ),
}


class DisplayUnit(NamedTuple):
    """A unit for people: shown number = internal value · `factor`."""

    label: str
    factor: float


_INCH_EXAMPLES: dict[Kind, str] = {
    "length": "2.75 in",
    "speed": "200 ft/min",
    "acceleration": "500 ft/s^2",
    "torque": "10 lbf*in",
    "inertia": "0.2 lb*in^2",
    "mass": "0.2 oz",
    "density": "490 lb/ft^3",
    "force": "1.5 lbf",
}
_hinted: ContextVar[System] = ContextVar("hinted", default="metric")


@contextmanager
def hints_in(units: System) -> Iterator[None]:
    """Make error messages name units of one system inside the ``with``."""
    before = _hinted.set(units)
    try:
        yield
    finally:
        _hinted.reset(before)


def example(kind: Kind) -> str:
    """Return an example of a quantity, in the units of the hints.

    >>> example("length")
    '70 mm'
    """
    usual = FACTS[kind].example
    return usual if _hinted.get() == "metric" else _INCH_EXAMPLES.get(kind, usual)


def phrase(*kinds: Kind) -> str:
    """Say in words what a key needs: ``a length, such as "70 mm"``.

    >>> phrase("time", "length")
    'a time, such as "20 ms", or a length, such as "70 mm"'
    >>> with hints_in("inch"):
    ...     phrase("length")
    'a length, such as "2.75 in"'
    """
    return ", or ".join(f'{named(kind)}, such as "{example(kind)}"' for kind in kinds)


_SHOWN: dict[System, dict[Kind, DisplayUnit]] = {
    "metric": {
        "length": DisplayUnit("mm", 1.0),
        "time": DisplayUnit("s", 1.0),
        "speed": DisplayUnit("m/min", 0.06),
        "acceleration": DisplayUnit("m/s²", 1e-3),
        "rate": DisplayUnit("1/s", 1.0),
        "share": DisplayUnit("%", 100.0),
        "torque": DisplayUnit("N·m", 1.0),
        "inertia": DisplayUnit("kg·cm²", 1e4),
        "mass": DisplayUnit("g", 1e3),
        "density": DisplayUnit("kg/m³", 1.0),
        "power": DisplayUnit("W", 1.0),
        "force": DisplayUnit("N", 1.0),
        "angular speed": DisplayUnit("rpm", 1.0),
    },
    "inch": {
        "length": DisplayUnit("in", 1 / 25.4),
        "time": DisplayUnit("s", 1.0),
        "speed": DisplayUnit("ft/min", 60 / 304.8),
        "acceleration": DisplayUnit("in/s²", 1 / 25.4),
        "rate": DisplayUnit("1/s", 1.0),
        "share": DisplayUnit("%", 100.0),
        "torque": DisplayUnit("lbf·in", 1 / (4.4482216152605 * 0.0254)),
        "inertia": DisplayUnit("lb·in²", 1 / (0.45359237 * 0.0254**2)),
        "mass": DisplayUnit("oz", 16 / 0.45359237),
        "density": DisplayUnit("lb/ft³", 0.3048**3 / 0.45359237),
        "power": DisplayUnit("W", 1.0),
        "force": DisplayUnit("lbf", 1 / 4.4482216152605),
        "angular speed": DisplayUnit("rpm", 1.0),
    },
}


def display_unit(kind: Kind, units: System = "metric") -> DisplayUnit:
    """Return the display unit of a kind of quantity, for axes and table heads."""
    return _SHOWN[units][kind]


def display(value: float, kind: Kind, *, units: System | None = None, digits: int = 4) -> str:
    """Write an internal value for people, rounded; times below 1 s in ms.

    Parameters
    ----------
    value : float
        In the internal unit of `kind`.
    units : {"metric", "inch"}, optional
        System of units; that of the hints by default.
    digits : int
        Significant digits, but never fewer than the whole part has.

    Returns
    -------
    str
        Such as ``"60 m/min"``; an en dash where there is no value (NaN).

    Examples
    --------
    >>> display(1000.0, "speed"), display(85.6, "length", units="inch"), display(5e-4, "time")
    ('60 m/min', '3.37 in', '0.5 ms')
    """
    label, factor = display_unit(kind, units or _hinted.get())
    if kind == "time" and abs(value) < 1.0 and value != 0.0:
        label, factor = "ms", 1e3
    if math.isnan(value):
        return "–"
    shown = value * factor
    if math.isinf(shown) or shown == 0.0:
        return f"{shown:g} {label}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(shown))))
    return f"{trimmed(f'{shown:.{places}f}')} {label}"


def trimmed(number: str) -> str:
    """Take off zeros and a point that end a decimal number.

    >>> trimmed("12.50"), trimmed("100"), trimmed("-0.00")
    ('12.5', '100', '0')
    """
    if "." in number:
        number = number.rstrip("0").removesuffix(".")
    return "0" if number == "-0" else number


def named(noun: str) -> str:
    """Return a noun with its article, such as ``"a length"``."""
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def noun_for(number: int, noun: str, plural: str = "") -> str:
    """Return a noun in the form that goes with a count.

    >>> noun_for(1, "row"), noun_for(2, "row"), noun_for(2, "stretch", "stretches")
    ('row', 'rows', 'stretches')
    """
    return noun if number == 1 else plural or noun + "s"


def whole(number: float) -> str:
    """Write a count.

    >>> whole(5000), whole(13844.6)
    ('5000', '13,845')
    """
    near = round(number)
    return f"{near:,}" if abs(near) >= _GROUPED_FROM else str(near)


def listed(names: Sequence[object], joint: str = "and") -> str:
    """Write names one after another.

    >>> listed([3]), listed([3, 4]), listed([3, 4, 7], "or")
    ('3', '3 and 4', '3, 4 or 7')
    """
    *some, last = map(str, names) if names else [""]
    return f"{', '.join(some)} {joint} {last}" if some else last


def first_of(names: Sequence[object], most: int) -> str:
    """Write at most some names, and how many more there are.

    >>> first_of([3, 4], 2), first_of([3, 4, 7], 2)
    ('3, 4', '3, 4 and 1 more')
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(map(str, names[:most])) + more
