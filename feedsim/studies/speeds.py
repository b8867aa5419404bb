"""Line speeds as people write them on a command line."""

from __future__ import annotations

import math

from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import QuantityError, parse

__all__ = ["MOST_SPEEDS", "parse_speeds"]

MOST_SPEEDS = 1000
_FORMS = 'a range such as "20:120:10 m/min" (from, to, step) or a list such as "20,45,60 m/min"'


def parse_speeds(text: str) -> tuple[float, ...]:
    """Read ``"20:120:10 m/min"`` or ``"20,45,60 m/min"``.

    Returns
    -------
    tuple of float
        mm/s, rising, none twice. The end of a range is one of them if a step comes to it.

    Raises
    ------
    FeedsimError
        If it is neither, a speed is not above 0, a range falls or has no step, or there are
        more than ``MOST_SPEEDS``.
    """
    numbers, _, unit = text.strip().partition(" ")
    if ":" in numbers:
        return _range(text, numbers.split(":"), unit)
    if numbers.count(",") + 1 > MOST_SPEEDS:
        raise _wrong(text, f"at most {MOST_SPEEDS} speeds")
    return tuple(sorted({_speed(text, number, unit) for number in numbers.split(",")}))


def _range(text: str, parts: list[str], unit: str) -> tuple[float, ...]:
    if len(parts) != 3:
        raise _wrong(text, _FORMS)
    start, end, step = (_speed(text, part, unit) for part in parts)
    if end < start:
        raise _wrong(text, "a range that rises: the first speed is above the last")
    count = 1 + math.floor((end - start) / step + 1e-9)
    if count > MOST_SPEEDS:
        raise _wrong(text, f"a larger step: at most {MOST_SPEEDS} speeds, not {count}")
    return tuple(start + step * place for place in range(count))


def _speed(text: str, number: str, unit: str) -> float:
    try:
        speed = parse(f"{number} {unit}".strip(), "speed")
    except QuantityError:
        raise _wrong(text, _FORMS) from None
    if not 0.0 < speed < math.inf:
        raise _wrong(text, "speeds and a step above 0")
    return speed


def _wrong(text: str, allowed: str) -> FeedsimError:
    shown = text if len(text) <= 60 else text[:57] + "..."
    return FeedsimError(Fault("--speeds", found=repr(shown), allowed=allowed))
