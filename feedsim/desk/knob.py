"""One knob: a key of a scenario with its value, its slider and its allowed values."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from feedsim.desk.autos import AutoValue
from feedsim.measures import QuantityError, parse
from feedsim.quantities import Kind, example
from feedsim.scenario.drive import TextOrNone
from feedsim.scenario.feeder import Ramp
from feedsim.scenario.keys import Auto, Choice, KeyType, Quantity, Ratio, Text, Whole, YesNo
from feedsim.scenario.rewriting import unit_and_size

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
    low, high = _short(max(low, at_least)), _short(min(high, at_most))
    return Slider(low, high, _short(step), _short(min(_BIG * step, high - low)))


def _nice(value: float) -> float:
    """Return the largest of 1, 2, 5, 10 … times a power of ten that is no larger."""
    power = 10.0 ** math.floor(math.log10(value))
    return next((m * power for m in (5.0, 2.0, 1.0) if m * power <= value * (1.0 + 1e-9)), power)


def _short(value: float) -> float:
    return float(f"{value:.10g}")


_USUAL: Mapping[Kind, float] = {
    "length": 5.0,
    "time": 0.01,
    "speed": 1000.0,
    "acceleration": 2000.0,
    "share": 0.05,
}


@dataclass(frozen=True, slots=True)
class DeskKnob:
    """One key of a scenario.

    ``path``: as ``--set`` has it.
    ``group``, ``name``, ``about``: the part of the machine, the key, its description.
    ``kind``: ``"quantity"``, ``"whole"``, ``"number"``, ``"choice"``, ``"yesno"``, ``"text"``, or
    ``"toml"`` for a list or a table.
    ``value``, ``file_value``: from the changes, or from the file; else the default.
    ``default``: None: it is required.
    ``unit``: unit of `number` and `slider`; empty if there is none.
    ``number``: None where the value is no finite number.
    ``given``, ``changed``: whether the file has it; whether a change sets it.
    ``auto``: what ``"auto"`` stands for now.
    ``rank``: among those that matter most, from 1.
    ``off``: its table is in neither file nor changes, and has no effect until it is.
    ``fault``: what is wrong with it.
    """

    path: str
    group: str
    name: str
    about: str
    kind: str
    value: str
    file_value: str
    default: str | None
    unit: str = ""
    number: float | None = None
    given: bool = False
    changed: bool = False
    slider: Slider | None = None
    may_be_auto: bool = False
    auto: AutoValue | None = None
    choices: tuple[str, ...] | None = None
    rank: int | None = None
    off: bool = False
    fault: str | None = None


def typed(knob: DeskKnob, leaf: KeyType, *, auto: AutoValue | None, travel: bool) -> DeskKnob:
    """Complete a knob by the type of its value.

    ``auto``: what ``"auto"`` stands for now. ``travel``: whether ramps beside it are lengths.
    """
    may_be_auto = isinstance(leaf, Auto)
    leaf = getattr(leaf, "inner", getattr(leaf, "quantity", leaf))
    match leaf:
        case Quantity():
            bounds = (max(leaf.at_least, leaf.above), leaf.at_most)
            found = _measured(knob, leaf.kind, bounds, auto=auto)
            knob = replace(found, may_be_auto=may_be_auto, auto=auto if may_be_auto else None)
        case Ramp():
            knob = _measured(knob, "length" if travel else "time", (0.0, math.inf))
        case Whole() | Ratio():
            knob = _counted(knob, leaf)
        case YesNo():
            knob = replace(knob, kind="yesno")
        case Choice():
            knob = replace(knob, kind="choice", choices=leaf.words)
        case Text() | TextOrNone():
            knob = replace(knob, kind="text")
    return knob


def nothing_of(default: str, leaf: KeyType | None) -> str:
    """Write a default of 0 in the units of the hints: ``0 mm`` as ``0 in``."""
    leaf = getattr(leaf, "inner", getattr(leaf, "quantity", leaf))
    if not isinstance(leaf, Quantity) or not default.startswith("0 "):
        return default
    return f"0 {example(leaf.kind).partition(' ')[2]}"


def _counted(knob: DeskKnob, leaf: Whole | Ratio) -> DeskKnob:
    number, whole = _number(knob.value), isinstance(leaf, Whole)
    span = slider(
        number,
        at_least=float(leaf.at_least),
        at_most=float(leaf.at_most),
        usual=20.0 if whole else 1.0,
        whole=whole,
    )
    return replace(knob, kind="whole" if whole else "number", number=number, slider=span)


def _measured(
    knob: DeskKnob,
    kind: Kind,
    bounds: tuple[float, float],
    *,
    auto: AutoValue | None = None,
) -> DeskKnob:
    """Add number and slider of a quantity, in the unit it has."""
    unit, size = (
        unit_and_size(knob.value, kind)
        or unit_and_size(knob.file_value, kind)
        or unit_and_size(example(kind), kind)
        or ("", 1.0)
    )
    number: float | None = None
    try:
        value = parse(knob.value, kind)
        number = _tidy(value / size) if math.isfinite(value) else None
    except QuantityError:
        value = math.nan if auto is None or auto.value is None else auto.value
    found = slider(
        value / size,
        at_least=bounds[0] / size,
        at_most=bounds[1] / size,
        usual=_USUAL.get(kind, 1.0) / size,
    )
    return replace(knob, kind="quantity", unit=unit, number=number, slider=found)


def _tidy(number: float) -> float:
    """Round off what a conversion leaves in the last places."""
    return float(f"{number:.12g}")


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
