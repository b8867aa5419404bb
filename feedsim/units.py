"""Units: the size of each in mm, s, kg and turns, and its powers of them.

Common units are in a table; pint, imported only then, knows all others. The text is never
evaluated: patterns of bounded length pick out unit names and powers.

Motor data sheets use pounds and ounces as forces too: "24 oz·in" is a torque, "0.05 oz·in·s²" an
inertia. If only the force fits the wanted quantity, it is taken.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any, NamedTuple


class Powers(NamedTuple):
    """Of length, time, mass and turn, in a unit."""

    length: int = 0
    time: int = 0
    mass: int = 0
    turn: int = 0


class UnknownUnitError(ValueError):
    """An unknown unit, or one that cannot be of the wanted quantity.

    Attributes
    ----------
    name : str
        The unknown part; empty if the whole is not a unit.
    """

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


NONE = Powers()
_MM, _S, _KG, _TURN = Powers(1), Powers(0, 1), Powers(0, 0, 1), Powers(0, 0, 0, 1)
_RATE, _TORQUE, _POWER_OF, _FORCE = (
    Powers(0, -1),
    Powers(2, -2, 1),
    Powers(2, -3, 1),
    Powers(1, -2, 1),
)
# Unit: factor to mm, s, kg and turns, and its powers of them.
_Unit = tuple[Fraction, Powers]
_ONE = Fraction(1)
_INCH = Fraction(254, 10)  # exact since 1959
_POUND = Fraction(45359237, 10**8)  # likewise
_N, _NM, _WATT = Fraction(1000), Fraction(10**6), Fraction(10**6)
_POUND_FORCE = _POUND * Fraction(980665, 10**5) * _N  # standard gravity, 1901
_EVERYDAY: dict[str, _Unit] = {
    "1": (_ONE, Powers()),
    "mm": (_ONE, _MM),
    "cm": (10 * _ONE, _MM),
    "m": (1000 * _ONE, _MM),
    "in": (_INCH, _MM),
    "inch": (_INCH, _MM),
    "ft": (12 * _INCH, _MM),
    "s": (_ONE, _S),
    "ms": (_ONE / 1000, _S),
    "us": (_ONE / 1_000_000, _S),
    "µs": (_ONE / 1_000_000, _S),
    "min": (60 * _ONE, _S),
    "h": (3600 * _ONE, _S),
    "Hz": (_ONE, Powers(0, -1)),
    "%": (Fraction(1, 100), Powers()),
    "percent": (Fraction(1, 100), Powers()),
    "ppm": (Fraction(1, 10**6), Powers()),
    "kg": (_ONE, _KG),
    "g": (_ONE / 1000, _KG),
    "lb": (_POUND, _KG),
    "oz": (_POUND / 16, _KG),
    "N": (_N, _FORCE),
    "kN": (1000 * _N, _FORCE),
    "lbf": (_POUND_FORCE, _FORCE),
    "ozf": (_POUND_FORCE / 16, _FORCE),
    "Nm": (_NM, _TORQUE),
    "mNm": (_NM / 1000, _TORQUE),
    "Ncm": (_NM / 100, _TORQUE),
    "W": (_WATT, _POWER_OF),
    "kW": (1000 * _WATT, _POWER_OF),
    "hp": (550 * 12 * _INCH * _POUND_FORCE, _POWER_OF),  # 550 foot-pounds a second
    "rev": (_ONE, _TURN),
    "rpm": (_ONE / 60, Powers(0, -1, 0, 1)),
    "rad": (Fraction(0.5 / math.pi), _TURN),
}

_MEANT_AS_FORCE = {"lb": "lbf", "oz": "ozf"}
_PART = r"(1|%|[A-Za-zµ]{1,24})(?:(?:\^|\*\*)(-?[1-4]))?"
_UNIT = re.compile(rf"{_PART}(?:[ ]*(?:[*/·]|-(?=[A-Za-z]))[ ]*{_PART}){{0,3}}")
_PARTS = re.compile(rf"([*/·-]?)[ ]*{_PART}[ ]*")


def size_of(unit: str, wanted: Collection[Powers]) -> tuple[Fraction, Powers]:
    """Return the size of a unit, and its powers.

    Parameters
    ----------
    unit : str
        Such as ``"kg*cm^2"``.
    wanted : collection of Powers
        Powers of the quantities that it may measure.

    Returns
    -------
    (Fraction, Powers)
        Its size in mm, s, kg and turns; the powers may differ from the wanted ones.

    Raises
    ------
    UnknownUnitError
        If it is not a unit, or has a mass or a turn that no wanted quantity has.

    Examples
    --------
    >>> size_of("in", [Powers(1)]), size_of("rad/s", [Powers(0, -1)])
    ((Fraction(127, 5), Powers(length=1, time=0, mass=0, turn=0)), \
(Fraction(1, 1), Powers(length=0, time=-1, mass=0, turn=0)))
    """
    if not _UNIT.fullmatch(unit):
        raise UnknownUnitError("")
    parts = _PARTS.findall(unit)
    size, powers = _product(parts, wanted)
    if powers in wanted or not any(name in _MEANT_AS_FORCE for _, name, _ in parts):
        return size, powers
    forces = [(sign, _MEANT_AS_FORCE.get(name, name), power) for sign, name, power in parts]
    as_force = _product(forces, wanted)
    return as_force if as_force[1] in wanted else (size, powers)


def _product(
    parts: list[tuple[str, str, str]], wanted: Collection[Powers]
) -> tuple[Fraction, Powers]:
    size, powers = _ONE, NONE
    for sign, name, power in parts:
        known = _known(name, wanted)
        if known is None or _foreign(known[1], wanted):
            raise UnknownUnitError(name)
        times = int(power or 1) * (-1 if sign == "/" else 1)
        size *= known[0] ** times
        powers = Powers(*(p + times * q for p, q in zip(powers, known[1], strict=True)))
    return size, powers


def _known(name: str, wanted: Collection[Powers]) -> _Unit | None:
    if name == "rad" and _RATE in wanted and not any(powers.turn for powers in wanted):
        return _ONE, NONE  # a loop gain in rad/s: the radian is a ratio of two lengths
    return _EVERYDAY.get(name) or _ask_pint(name)


def _foreign(powers: Powers, wanted: Collection[Powers]) -> bool:
    """Return whether a unit has a mass or a turn that no wanted quantity has."""
    return any(powers[i] and not any(of[i] for of in wanted) for i in (2, 3))


@cache
def _registry() -> Any:
    """Build pint's registry, with exact fractions (about 0.2 s, once)."""
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


@lru_cache(maxsize=256)
def _ask_pint(name: str) -> _Unit | None:
    """Look one unit name up in pint; None if it is not made of length, time and mass alone."""
    if not name.isalpha():
        return None
    import pint

    try:
        factor, root = _registry().get_root_units(name)
    except (pint.PintError, AttributeError, KeyError, TypeError, ValueError):
        return None
    powers = dict(root._units)  # noqa: SLF001 - pint's own docs read it so
    found = [powers.pop(base, 0) for base in ("meter", "second", "kilogram", "gram")]
    if powers or not any(found) or any(int(power) != power for power in found):
        return None
    length, time, kilogram, gram = (int(power) for power in found)
    size = Fraction(factor) * Fraction(1000) ** (length - gram)
    return size, Powers(length, time, kilogram + gram)
