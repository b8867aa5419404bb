"""Text to a quantity, ``"60 m/min"`` to 1000.0 mm/s, and back to text of exactly that value.

The only place that reads quantities. Text is read in exact fractions and rounded once, so
:func:`canonical` and :func:`parse` are exact inverses and ``"0.2 %"`` is exactly 0.002. The text is
never evaluated: patterns of bounded length pick out the number, and ``units`` reads the unit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from feedsim.quantities import FACTS, KINDS, Kind, System, example, named, phrase
from feedsim.units import NONE, Powers, UnknownUnitError, size_of

# A bare number of a kind from the first to the second, times the third, in that unit, may be meant.
_OTHER_READINGS: dict[Kind, tuple[Decimal, Decimal, int, str, str]] = {
    "share": (Decimal(0), Decimal(1), 100, "%", "a fraction was meant"),
    "time": (Decimal(0), Decimal("0.5"), 1000, "ms", "seconds were meant"),
    "speed": (Decimal(200), Decimal(10_000), 1, "mm/s", "that was meant"),
    "acceleration": (Decimal(500), Decimal(10**7), 1, "mm/s^2", "that was meant"),
}

_LONGEST = 60  # characters of a quantity
_NUMBER = re.compile(r"[+-]?(?:\d{1,40}(?:\.\d{0,40})?|\.\d{1,40})(?:[eE][+-]?\d{1,3})?", re.ASCII)
_FRACTION = re.compile(
    r"([+-]?)(?:(\d{1,6})(?:[ ]+|-))?(\d{1,6})[ ]*/[ ]*(\d{1,6})(?=[ ]*[A-Za-zµ%])", re.ASCII
)
_OF_SHARES = ("%", "percent", "ppm")
_ONE_IN = re.compile(r"(\d{1,6})[ ]+in[ ]+(\d{1,15}|\d{1,3}(?:,\d{3}){1,4})", re.ASCII)
_PARTS = re.compile(
    r"(\d{1,6})[ ]*(?:/|:|per|in|of|out of)[ ]*(?:a )?([1-9]\d{0,14}|thousand|million)",
    re.ASCII | re.IGNORECASE,
)
_IN_QUOTES = re.compile(r'"([^"]+)"')
_WORDS = {"thousand": "1000", "million": "1,000,000"}
_INFINITE = re.compile(r"[+-]?(?:inf|infinity|∞)(?![A-Za-z])")
_NOT_A_NUMBER = re.compile(r"[+-]?nan(?![A-Za-z])", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_POWER = re.compile("⁻?[¹²³]")
_SPELLINGS = str.maketrans("⁻¹²³μ−\u00a0", "-123µ- ")


class QuantityError(ValueError):
    """The text is not such a quantity; the message ends the sentence "needs ..."."""


class OutOfBoundsError(QuantityError):
    """A quantity of a size that no machine has; ``bound``: what is allowed."""

    def __init__(self, phrase: str, bound: str) -> None:
        super().__init__(f"{phrase}; {bound}")
        self.bound = bound


class Measured(NamedTuple):
    """A quantity that was read: its value in the internal unit of its kind."""

    value: float
    kind: Kind


def with_unit(number: str, kind: Kind, *, quotes: bool = False) -> str:
    """Say how to write a bare number as a quantity, in each plausible reading.

    Parameters
    ----------
    number : str
        As it stood there.
    quotes : bool
        Whether to say that it needs quotes.

    Examples
    --------
    >>> with_unit("70", "length")
    'a length with its unit; write "70 mm"'
    >>> with_unit("0.95", "share")
    'a share with its unit; write "95 %" if a fraction was meant, or "0.95 %"'
    """
    how = "with its unit, in quotes" if quotes else "with its unit"
    return f"{named(kind)} {how}; write {_readings(number, kind)}"


def only_taken(says: str, takes: Callable[[str], bool], instead: str) -> str:
    """Return what an error says is needed, with no value proposed that is not taken either.

    Parameters
    ----------
    says : str
        The words of a :class:`QuantityError`.
    takes : callable
        Whether a proposed value is taken.
    instead : str
        What is needed, to say where none of the proposed values is taken.

    Examples
    --------
    >>> says = 'a share with its unit; write "95 %" if a fraction was meant, or "0.95 %"'
    >>> only_taken(says, lambda value: parse(value, "share") > 0.5, "a share of more than 50 %")
    'a share with its unit; write "95 %"'
    >>> only_taken(says, lambda value: False, "a share of more than 99 %")
    'a share of more than 99 %'
    """
    needed, _, proposed = says.partition("; write ")
    values = _IN_QUOTES.findall(proposed)
    taken = [value for value in values if takes(value)]
    if taken == values:
        return says
    return f'{needed}; write "{taken[0]}"' if taken else instead


def _readings(number: str, kind: Kind) -> str:
    own = example(kind)
    plain = f'"{number} {own.partition(" ")[2]}"'
    is_inch = own != FACTS[kind].example
    if is_inch or kind not in _OTHER_READINGS or not _NUMBER.fullmatch(number):
        return plain
    least, most, times, unit, meant = _OTHER_READINGS[kind]
    if not least <= abs(Decimal(number)) <= most or not Decimal(number):
        return plain
    other = _plain(Decimal(number) * times)
    return f'"{other} {unit}" if {meant}, or {plain}'


def measure(text: str, *kinds: Kind) -> Measured:
    """Read a quantity of one of several kinds.

    Parameters
    ----------
    text : str
        A number and a unit, such as ``"200 ft/min"``; ``"inf 1/s"`` is read as infinity.
    *kinds : Kind
        What it may be.

    Returns
    -------
    Measured
        Value in the internal unit (mm, s, mm/s, mm/s², 1/s, a share, N·m, kg·m², kg, kg/m³, W, N,
        rpm), and which kind it was.

    Raises
    ------
    QuantityError
        If it is none of these, or its size is out of range.
    """
    number, unit = _split(text, kinds)
    size, powers = _size(unit, kinds)
    kind = _kind_of(powers, unit)
    if kind not in kinds:
        is_kind = f"this is {named(kind)}" if kind else f'"{unit}" is no unit of that'
        raise QuantityError(f"{phrase(*kinds)}; {is_kind}")
    if isinstance(number, float):
        return Measured(number, kind)
    return Measured(_in_reason(number * size / FACTS[kind].size, kind), kind)


@lru_cache(maxsize=4096)
def system_of(text: str) -> System | None:
    """Return the system of units of a length as written; None if it is not a length.

    An inch is 127/5 mm, exactly since 1959, and 127 is prime: a unit made of inches is one whose
    size in mm has that factor.

    >>> system_of("1 1/2 in"), system_of("2 ft"), system_of("5 mm"), system_of("5 ms")
    ('inch', 'inch', 'metric', None)
    """
    try:
        _, unit = _split(text, ("length",))
        size, powers = _size(unit, ("length",))
    except QuantityError:
        return None
    if powers != FACTS["length"].powers:
        return None
    return "metric" if size.numerator % 127 else "inch"


@lru_cache(maxsize=4096)
def parse(text: str, kind: Kind) -> float:
    """Read a quantity of one kind.

    Parameters
    ----------
    text : str
        A number and a unit, such as ``"0.5 ms"``.

    Returns
    -------
    float
        In the internal unit, as :func:`measure` says; ``inf`` where the text says so.

    Raises
    ------
    QuantityError
        If it is not such a quantity, or its size is out of range.

    Examples
    --------
    >>> parse("60 m/min", "speed"), parse("1.5 in", "length"), parse("0.2 %", "share")
    (1000.0, 38.1, 0.002)
    >>> parse("1 ppm", "share"), parse("1 in 1,000,000", "share"), parse("0.0001 %", "share")
    (1e-06, 1e-06, 1e-06)
    """
    return measure(text, kind).value


def canonical(value: float, kind: Kind) -> str:
    """Write an internal value so that :func:`parse` gives back exactly this float.

    >>> canonical(1000.0, "speed"), canonical(0.002, "share")
    ('1000 mm/s', '0.2 %')
    """
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}inf {FACTS[kind].internal}"
    exact = Decimal(repr(value + 0.0))  # no -0.0
    return f"{_plain(exact.scaleb(2) if kind == 'share' else exact)} {FACTS[kind].internal}"


def _plain(exact: Decimal) -> str:
    """Write a number in digits, without trailing zeros."""
    number = f"{exact:f}" if abs(exact.adjusted()) < 20 else str(exact)
    if "." in number and "E" not in number:
        number = number.rstrip("0").removesuffix(".")
    return number


def _split(text: str, kinds: tuple[Kind, ...]) -> tuple[Fraction | float, str]:
    """Split the text into its number (infinity as a float) and its unit."""
    text = _POWER.sub(r"^\g<0>", text.strip()).translate(_SPELLINGS)
    if len(text) > _LONGEST:
        raise QuantityError(f"{phrase(*kinds)}; this is far too long")
    if not text.isprintable():
        raise QuantityError(f"{phrase(*kinds)}; without control characters")
    if _NOT_A_NUMBER.match(text):
        raise QuantityError(f"{phrase(*kinds)}; nan is no size")
    if comma := _DECIMAL_COMMA.match(text):
        rest = text.replace(",", ".", 1)
        raise QuantityError(f'{phrase(*kinds)}; write "{rest}", not {comma.group()} with a comma')
    one_in = _ONE_IN.fullmatch(text) if "share" in kinds else None
    if one_in and (of := int(one_in.group(2).replace(",", ""))):
        return Fraction(100 * int(one_in.group(1)), of), "%"
    if "share" in kinds and (found := _PARTS.fullmatch(text)):
        cases = _WORDS.get(found.group(2).lower(), found.group(2))
        raise QuantityError(f'{phrase(*kinds)}; write "{found.group(1)} in {cases}"')
    if text.startswith("±"):
        raise QuantityError(f"{phrase(*kinds)}; write it without ±")
    number, shown = _number(text, kinds)
    unit = text[len(shown) :].strip().replace(" per ", "/")
    if not unit:
        raise QuantityError(with_unit(shown, kinds[0]))
    return number, f"1{unit}" if unit.startswith("/") else unit


def _number(text: str, kinds: tuple[Kind, ...]) -> tuple[Fraction | float, str]:
    """Read the number that a text begins with; return it and how it is written."""
    if found := _INFINITE.match(text):
        return -math.inf if text.startswith("-") else math.inf, found.group()
    if found := _FRACTION.match(text):
        sign, whole, over, under = found.groups()
        if int(under) == 0:
            raise QuantityError(f"{phrase(*kinds)}; nothing can be divided by 0")
        size = int(whole or 0) + Fraction(int(over), int(under))
        return -size if sign == "-" else size, found.group()
    if found := _NUMBER.match(text):
        return Fraction(found.group()), found.group()
    raise QuantityError(phrase(*kinds))


def _size(unit: str, kinds: tuple[Kind, ...]) -> tuple[Fraction, Powers]:
    """Return a unit's size in mm, s, kg and turns, and its powers of them."""
    try:
        return size_of(unit, [FACTS[kind].powers for kind in kinds])
    except UnknownUnitError as error:
        if not error.name:
            raise QuantityError(f'{phrase(*kinds)}; "{unit}" is no unit') from None
        units = " or ".join(FACTS[kind].units for kind in kinds)
        raise QuantityError(
            f'{phrase(*kinds)}; the unit "{error.name}" is not known here, use {units}'
        ) from None


def _kind_of(powers: Powers, unit: str) -> Kind | None:
    """Tell the kind of a unit; that of a share stands alone."""
    if any(name in unit for name in _OF_SHARES) and unit not in _OF_SHARES:
        return None
    if powers == NONE:
        return "share" if unit in _OF_SHARES else None
    return next((kind for kind in KINDS if FACTS[kind].powers == powers), None)


def _in_reason(exact: Fraction, kind: Kind) -> float:
    """Round to a float; refuse sizes that no machine has."""
    facts = FACTS[kind]
    if abs(exact) > facts.largest:
        largest = canonical(facts.largest, kind)
        raise OutOfBoundsError(phrase(kind), f"nothing beyond {largest}")
    value = float(exact)
    if exact and abs(value) < facts.smallest:
        least = canonical(facts.smallest, kind)
        raise OutOfBoundsError(phrase(kind), f"0 or at least {least} in size")
    return value
