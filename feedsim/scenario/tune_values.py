"""Values of the tune table as numbers: those of a knob, and the bounds of an uncertain value."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from feedsim.measures import QuantityError, measure, parse
from feedsim.quantities import KINDS, Kind, phrase, trimmed
from feedsim.scenario.keys import Auto, KeyType, Quantity, Ratio, RefusedValue, Whole
from feedsim.scenario.tune import MOST_VALUES, Span, TuneUnsure

_SPLIT = re.compile(r"\s*([+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15}))\s*(.*?)\s*", re.ASCII)
_CUTS = 200
_DIGITS = 12
_FURTHEST = 1.5
"""Normal law: the furthest draw as a multiple of `by`; it is three standard deviations."""


@dataclass(frozen=True, slots=True)
class KnobValue:
    """A possible value of a knob: as written in a file, and as a number if it is one."""

    written: Any
    number: float | None


@dataclass(frozen=True, slots=True)
class Off:
    """How far a value may be from the scenario's (internal unit)."""

    believed: float
    low: float
    high: float
    law: str


def kind_of(leaf: KeyType, raw: Any = None) -> Kind | None:
    """Return the kind of quantity of a key; None for plain numbers and words.

    ``raw``: a value, for a key that takes quantities of two kinds.
    """
    if isinstance(leaf, Auto):
        return leaf.quantity.kind
    if isinstance(leaf, Quantity):
        return leaf.kind
    if isinstance(raw, str) and _is_quantity_of_two(leaf):
        try:
            return measure(raw, *KINDS).kind
        except QuantityError:
            return None
    return None


def _is_quantity_of_two(leaf: KeyType) -> bool:
    return not isinstance(leaf, (Whole, Ratio)) and "anyOf" in leaf.schema()


def number_of(leaf: KeyType, raw: Any) -> float | None:
    """Return a value of a key as a number in the internal unit; None for a word.

    Raises RefusedValue if the key does not take it.
    """
    value = leaf.read(raw)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(value) if is_number else None


def had(leaf: KeyType, values: Sequence[Any] | Span) -> tuple[KnobValue, ...]:
    """Return the possible values of a knob, each once; a range rises.

    Raises RefusedValue if the key does not take a value, a range falls or is of words, or there are
    too many.
    """
    if not isinstance(values, Span):
        found: list[KnobValue] = []
        for place, raw in enumerate(values):
            try:
                found.append(KnobValue(raw, number_of(leaf, raw)))
            except RefusedValue as refused:
                raise RefusedValue(
                    refused.allowed, below=(((place,), raw, refused.allowed),)
                ) from None
        if len({str(one.written) for one in found}) < len(found):
            raise RefusedValue("each value once")
        return tuple(found)
    start, end = (
        _end(leaf, name, raw) for name, raw in (("from", values.start), ("to", values.end))
    )
    unit, size = _unit(values.start, kind_of(leaf, values.start))
    low, high = _in(start, size), _in(end, size)
    if high <= low:
        raise _below("to", values.end, 'more than the value in "from"')
    step = _step(leaf, values, low=low, high=high, size=size)
    count = 1 + int((high - low) / step)
    if count > MOST_VALUES:
        allowed = f"a larger step: at most {MOST_VALUES} values, not {count}"
        raise _below("step", values.step, allowed)
    texts = [trimmed(f"{low + step * place:f}") for place in range(count)]
    whole = isinstance(leaf, Whole)
    written = [f"{t} {unit}" if unit else int(t) if whole else float(t) for t in texts]
    return tuple(KnobValue(one, number_of(leaf, one)) for one in written)


def _end(leaf: KeyType, name: str, raw: Any) -> float:
    try:
        number = number_of(leaf, raw)
    except RefusedValue as refused:
        raise _below(name, raw, refused.allowed) from None
    if number is None or not math.isfinite(number):
        raise RefusedValue("a list of values: this key takes no range")
    return number


def _step(leaf: KeyType, values: Span, *, low: Decimal, high: Decimal, size: float) -> Decimal:
    if values.step is None:
        if isinstance(leaf, Whole):
            return Decimal(max(1, int((high - low) / _CUTS)))
        return _round((high - low) / _CUTS)
    kind = kind_of(leaf, values.start)
    try:
        number = float(values.step) if kind is None else parse(values.step, kind)
    except (QuantityError, TypeError, ValueError):
        raise _below("step", values.step, phrase(kind) if kind else "a number") from None
    step = _in(number, size) if math.isfinite(number) else Decimal(0)
    if step <= 0 or (isinstance(leaf, Whole) and step != int(step)):
        more = ", a whole number" if isinstance(leaf, Whole) else ""
        raise _below("step", values.step, f"a step above 0{more}")
    return step


def _below(name: str, raw: Any, allowed: str) -> RefusedValue:
    return RefusedValue(allowed, below=(((name,), raw, allowed),))


def _unit(raw: Any, kind: Kind | None) -> tuple[str, float]:
    """Return the unit of a value as written, and its size in the internal unit."""
    match = _SPLIT.fullmatch(raw) if kind and isinstance(raw, str) else None
    if match is None or kind is None:
        return ("", 1.0) if kind is None else (phrase(kind).split('"')[1].split()[1], 1.0)
    return match[2], parse(f"1 {match[2]}", kind)


def in_unit_of(leaf: KeyType, raw: Any, other: Any) -> Any:
    """Write a quantity in the unit of another value of the same key."""
    kind, number = kind_of(leaf, other), number_of(leaf, raw)
    if kind is None or number is None or not math.isfinite(number):
        return raw
    unit, size = _unit(other, kind)
    text = f"{trimmed(f'{_in(number, size):f}')} {unit}"
    return text if number_of(leaf, text) == number else raw


def _in(number: float, size: float) -> Decimal:
    return Decimal(f"{number / size:.{_DIGITS}g}")


def _round(step: Decimal) -> Decimal:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above it."""
    power = Decimal(1).scaleb(step.adjusted())
    return max(power * n for n in (1, 2, 5) if power * n <= step)


def off(leaf: KeyType, unsure: TuneUnsure, *, believed: Any) -> Off:
    """Return how far an uncertain value may be off what is believed, as written in the scenario.

    Raises RefusedValue, with ``below`` naming ``by`` or ``between``, if that is wrong.
    """
    if (unsure.by is None) is (unsure.between is None):
        raise RefusedValue("", 'give one of "by" and "between"')
    number = number_of(leaf, believed)
    if number is None or not math.isfinite(number) or isinstance(leaf, Whole):
        raise RefusedValue("a key that holds a quantity, and not auto or a count")
    kind = kind_of(leaf, believed)
    if unsure.between is not None:
        low, high = (_between(leaf, kind, raw) for raw in unsure.between)
        if high <= low:
            raise _below("between", unsure.between, "the lower value first")
        return Off(number, low - number, high - number, unsure.law)
    half = _half(str(unsure.by), kind, number) * (_FURTHEST if unsure.law == "normal" else 1.0)
    return Off(number, -half, half, unsure.law)


def _between(leaf: KeyType, kind: Kind | None, raw: str) -> float:
    try:
        number = number_of(leaf, float(raw) if kind is None else raw)
    except (RefusedValue, ValueError) as error:
        allowed = error.allowed if isinstance(error, RefusedValue) else "numbers"
        raise _below("between", raw, allowed) from None
    if number is None or not math.isfinite(number):
        raise _below("between", raw, "two finite values")
    return number


def _half(text: str, kind: Kind | None, believed: float) -> float:
    wanted = (kind, "share") if kind and kind != "share" else ("share",)
    try:
        found = measure(text, *wanted) if kind or "%" in text else None
    except QuantityError as error:
        raise _below("by", text, str(error)) from None
    try:
        half = float(text) if found is None else found.value
    except ValueError:
        raise _below("by", text, 'a number, or a share such as "2 %"') from None
    if found is not None and found.kind == "share" and kind != "share":
        half *= abs(believed)
    if not 0.0 < half < math.inf:
        nothing = found is not None and found.value > 0.0
        allowed = "a quantity, since a share of 0 is nothing" if nothing else "more than 0"
        raise _below("by", text, allowed)
    return half
