"""Axes of a sweep: line speeds, or the values of any key."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from feedsim.errors import Fault, FeedsimError, argument, shortened
from feedsim.measures import OutOfBoundsError, QuantityError, canonical, measure, parse
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import KINDS, Kind, System
from feedsim.scenario import Scenario, at_line_speed, override
from feedsim.scenario.old_names import written_path

LINE_SPEED = "line.speed"
MOST_POINTS = 1000
_SPEEDS = 'a range such as "{}" (from, to, step) or a list such as "{}"'
_SPEED_FORMS: dict[System, str] = {
    "metric": _SPEEDS.format("20:120:10 m/min", "20,45,60 m/min"),
    "inch": _SPEEDS.format("50:400:50 ft/min", "50,150,200 ft/min"),
}
_VARY_FORMS = (
    'a key and its values, such as "feeder.0.insert.gap=40:90:5 mm" (from, to, step) or '
    '"carrier_eye.capture=latched,scanned"'
)
VALUE_FORMS = (*_SPEED_FORMS.values(), _VARY_FORMS)
"""The forms that a message offers if values are neither a range nor a list."""
_NUMBER = re.compile(r"[+-]?(\d{1,15}(\.\d{0,15})?|\.\d{1,15})", re.ASCII)
_COUNTS = re.compile(rf"({_NUMBER.pattern}) counts?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Axis:
    """The values of one key.

    Attributes
    ----------
    key : str
        Path of the key; ``"line.speed"`` scales a speed profile with it.
    values : tuple of str
        As written after ``--set key=``, none twice.
    numbers : tuple of float
        The same as rising numbers in internal units; empty for words.
    kind : Kind or None
        Kind of quantity; None for plain numbers and words.
    """

    key: str
    values: tuple[str, ...]
    numbers: tuple[float, ...] = field(metadata=LEFT_OUT)
    kind: Kind | None = field(metadata=LEFT_OUT)

    @property
    def is_speed(self) -> bool:
        """Whether this is the line speed."""
        return self.key == LINE_SPEED


def changed(scenario: Scenario, changes: Sequence[tuple[str, str]]) -> Scenario:
    """Return the scenario with other values of some keys.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    changes : sequence of (key, value)
        As in an :class:`Axis`.

    Raises
    ------
    FeedsimError
        If there is no such key, or the scenario would not be valid.
    """
    others = [f"{key}={value}" for key, value in changes if key != LINE_SPEED]
    if others:
        scenario = override(scenario, others)
    for key, value in changes:
        if key == LINE_SPEED:
            scenario = at_line_speed(scenario, parse(value, "speed"))
    return scenario


def speeds_of(speeds_mm_s: Sequence[float]) -> Axis:
    """Return the axis of these line speeds (mm/s), in rising order and each once."""
    speeds = tuple(sorted(set(speeds_mm_s)))
    return Axis(LINE_SPEED, tuple(canonical(v, "speed") for v in speeds), speeds, "speed")


def parse_speeds(text: str, units: System = "metric", *, name: str = "speeds") -> Axis:
    """Read ``"20:120:10 m/min"`` or ``"20,45,60 m/min"``; an error gives examples in ``units``.

    ``name``: the argument that it is.

    Raises
    ------
    FeedsimError
        If it is neither, a speed is not above 0, a range falls or has no step, or there are
        more than ``MOST_POINTS`` speeds.
    """
    values = _values(text, name=name, forms=_SPEED_FORMS[units])
    try:
        numbers = [parse(value, "speed") for value in values]
    except OutOfBoundsError as wrong:
        raise _wrong(name, text, f"{_SPEED_FORMS[units]}; {wrong.bound}") from None
    except QuantityError:
        raise _wrong(name, text, _SPEED_FORMS[units]) from None
    if not all(0.0 < speed < math.inf for speed in numbers):
        raise _wrong(name, text, "speeds and a step above 0")
    return _rising(LINE_SPEED, values, numbers, "speed")


def parse_axis(text: str) -> Axis:
    """Read ``"feeder.0.insert.gap=40:90:5 mm"``: a key, its values as a range or a list.

    Values are quantities of one kind, plain numbers, or words. Whether the key takes them is
    checked when a scenario is made of them (:func:`changed`).

    Raises
    ------
    FeedsimError
        If it is not of this form, a range falls or has no step, units do not go together, or
        there are more than ``MOST_POINTS`` values.
    """
    key, equals, after = (part.strip() for part in text.partition("="))
    if not equals or not key or not after:
        raise _wrong("vary", text, _VARY_FORMS)
    key = ".".join(written_path(key.split("."), {}))  # or each worker would note the old name
    if key == LINE_SPEED:
        return parse_speeds(after, name="vary")
    values = _values(after, name="vary", forms=_VARY_FORMS)
    if all(_NUMBER.fullmatch(value) for value in values):
        return _rising(key, values, [float(value) for value in values], None)
    if all(found := [_COUNTS.fullmatch(value) for value in values]):
        return _rising(key, values, [float(match[1]) for match in found if match], None)
    if not any(_NUMBER.match(value) for value in values):
        return Axis(key, tuple(dict.fromkeys(values)), (), None)
    try:
        measured = [measure(value, *KINDS) for value in values]
    except QuantityError:
        raise _wrong("vary", text, _VARY_FORMS) from None
    kinds = {found.kind for found in measured}
    if len(kinds) > 1:
        raise _wrong("vary", text, f"values of one kind, not {' and '.join(sorted(kinds))}")
    return _rising(key, values, [found.value for found in measured], kinds.pop())


def _rising(key: str, values: Sequence[str], numbers: Sequence[float], kind: Kind | None) -> Axis:
    once = dict(zip(numbers, values, strict=True))
    rising = sorted(once)
    return Axis(key, tuple(once[number] for number in rising), tuple(rising), kind)


def _values(text: str, *, name: str, forms: str) -> list[str]:
    """Expand a range or a list: ``"1:3:1 mm"`` to 1 mm, 2 mm, 3 mm."""
    if ":" in text:
        return _range(text, name=name, forms=forms)
    parts = [part.strip() for part in text.split(",")]
    if not all(parts):
        raise _wrong(name, text, forms)
    if len(parts) > MOST_POINTS:
        raise _wrong(name, text, f"at most {MOST_POINTS} values")
    unit = parts[-1][found.end() :] if (found := _NUMBER.match(parts[-1])) else ""
    return [part + unit if _NUMBER.fullmatch(part) else part for part in parts]


def _range(text: str, *, name: str, forms: str) -> list[str]:
    numbers, _, unit = text.strip().partition(" ")
    parts = numbers.split(":")
    if len(parts) != 3 or not all(_NUMBER.fullmatch(part) for part in parts):
        raise _wrong(name, text, forms)
    start, end, step = (Decimal(part) for part in parts)
    if step <= 0:
        raise _wrong(name, text, "a step above 0")
    if end < start:
        raise _wrong(name, text, "a range that rises: the first value is above the last")
    count = 1 + int((end - start) / step)
    if count > MOST_POINTS:
        raise _wrong(name, text, f"a larger step: at most {MOST_POINTS} values, not {count}")
    return [f"{start + step * place:f} {unit}".strip() for place in range(count)]


def _wrong(name: str, text: str, allowed: str) -> FeedsimError:
    return FeedsimError(Fault(argument(name), found=repr(shortened(text)), allowed=allowed))
