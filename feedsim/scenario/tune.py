"""Keys of tune: the choices, the uncertain values and the aim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from feedsim.scenario.keys import (
    Below,
    Choice,
    KeyType,
    Quantity,
    Ratio,
    RefusedValue,
    Section,
    Text,
    Whole,
)
from feedsim.scenario.keys import key as described
from feedsim.scenario.optional import OrNone, optional, tables

LAWS = ("uniform", "triangular", "normal")
MOST_VALUES = 10_000
_MOST_LISTED = 200
_KEY = Text(200)
_PRICE = Ratio(0.0, 1e12)
_ENDS = ("from", "to", "step")


@dataclass(frozen=True, slots=True)
class Span:
    """A range of values as written; without a step it is cut into some two hundred."""

    start: Any
    end: Any
    step: Any = None

    def __str__(self) -> str:
        return "a range"


@dataclass(frozen=True)
class Values(KeyType):
    """A list of values, or a range; their type depends on the key."""

    def _read(self, raw: Any) -> tuple[Any, ...] | Span:
        if isinstance(raw, dict):
            faults: list[Below] = [
                ((name,), None, "where the range begins and ends")
                for name in ("from", "to")
                if name not in raw
            ]
            faults += [
                ((name,), value, 'only "from", "to" and "step" beside it')
                for name, value in raw.items()
                if name not in _ENDS
            ]
            faults += [
                ((name,), raw[name], 'a value of the key, such as "60 mm"')
                for name in _ENDS
                if name in raw and type(raw[name]) not in (str, int, float)
            ]
            if faults:
                raise RefusedValue(self.allowed, below=tuple(faults[:20]))
            return Span(raw["from"], raw["to"], raw.get("step"))
        if not isinstance(raw, (list, tuple)) or not 1 <= len(raw) <= _MOST_LISTED:
            raise RefusedValue(self.allowed)
        wrong: list[Below] = [
            ((place,), value, "a text, a number, true or false")
            for place, value in enumerate(raw)
            if type(value) not in (str, int, float, bool)
        ]
        if wrong:
            raise RefusedValue(self.allowed, below=tuple(wrong[:20]))
        return tuple(raw)

    def _write(self, value: Any) -> Any:
        if isinstance(value, Span):
            ends = {"from": value.start, "to": value.end, "step": value.step}
            return {name: end for name, end in ends.items() if end is not None}
        return list(value)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        one = {"type": ["string", "number", "boolean"]}
        end = {"type": ["string", "number"]}
        return {
            "anyOf": [
                {"type": "array", "items": one, "minItems": 1, "maxItems": _MOST_LISTED},
                {
                    "type": "object",
                    "properties": dict.fromkeys(_ENDS, end),
                    "required": ["from", "to"],
                    "additionalProperties": False,
                },
            ]
        }

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return (
            f"a list of 1 to {_MOST_LISTED} values, or "
            '{from = "40 mm", to = "90 mm", step = "1 mm"}'
        )


@dataclass(frozen=True)
class Prices(KeyType):
    """One price, or one for each value of a list."""

    def _read(self, raw: Any) -> float | tuple[float, ...]:
        if not isinstance(raw, (list, tuple)):
            return float(_PRICE.read(raw))
        faults, prices = [], []
        for place, price in enumerate(raw[: _MOST_LISTED + 1]):
            try:
                prices.append(float(_PRICE.read(price)))
            except RefusedValue as refused:
                below: Below = ((place,), price, refused.allowed)
                faults.append(below)
        if faults:
            raise RefusedValue(
                "a number, 0 or more, or one for each value", below=tuple(faults[:20])
            )
        return tuple(prices)

    def _write(self, value: Any) -> Any:
        return list(value) if isinstance(value, tuple) else value

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        one = _PRICE.schema()
        return {"anyOf": [one, {"type": "array", "items": one, "maxItems": _MOST_LISTED}]}


@dataclass(frozen=True)
class Pair(KeyType):
    """Two quantities, the lower one first."""

    def _read(self, raw: Any) -> tuple[str, str]:
        if not (
            isinstance(raw, (list, tuple))
            and len(raw) == 2
            and all(isinstance(end, str) for end in raw)
        ):
            raise RefusedValue('two values, such as ["0.3 ms", "0.9 ms"]')
        return raw[0], raw[1]

    def _write(self, value: Any) -> list[str]:
        return list(value)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2}


class TuneKnob(Section):
    """A choice that is still open."""

    key: Annotated[str, _KEY] = described(
        "Path of the key, as for --set: feeder.0.settings.stage_position."
    )
    values: Annotated[tuple[Any, ...] | Span, Values()] = described(
        "The possible values: a list, or a range from, to and step (some 200 values without a "
        "step)."
    )
    price: Annotated[float | tuple[float, ...], Prices()] = described(
        "Cost of changing the value, in any currency; for a list also one price for each value.",
        0.0,
    )


class TuneUnsure(Section):
    """A value that is known only roughly."""

    key: Annotated[str, _KEY] = described("Path of the key, as for --set: carrier_eye.response.")
    by: Annotated[str | None, OrNone(Text(60))] = optional(
        "How far it may be off either way: a quantity, or a share of the scenario's value. This or "
        "between."
    )
    between: Annotated[tuple[str, str] | None, OrNone(Pair())] = optional(
        "Its lowest and highest value. This or by."
    )
    law: Annotated[Literal["uniform", "triangular", "normal"], Choice(*LAWS)] = described(
        "Distribution of the values. normal: by is two standard deviations, values stay within "
        "three, and between gives these three.",
        "uniform",
    )


class TuneKeys(Section):
    """What feedsim tune looks for, and the choices it has."""

    aim: Annotated[
        Literal["speed", "jam_risk", "spread", "window"],
        Choice("speed", "jam_risk", "spread", "window"),
    ] = described(
        "The highest speed; or, at a given speed, the lowest jam risk, the smallest spread of the "
        "placement, or the widest window of the knobs.",
        "speed",
    )
    speed: Annotated[float | None, OrNone(Quantity("speed", above=0.0))] = optional(
        "Line speed for any other aim than speed; by default that of the line."
    )
    assurance: Annotated[float, Quantity("share", at_least=0.5, at_most=0.999)] = described(
        "Share of the possible machines on which a setup must be accepted.", "95 %"
    )
    draws: Annotated[int, Whole(20, 100_000)] = described(
        "Machines drawn from the unsure values for the verdict; more if the assurance needs them: "
        "437 for 99 %, 4380 for 99.9 %.",
        200,
    )
    carriers: Annotated[int, Whole(100, 10_000_000)] = described(
        "Carriers run for each machine drawn, at each speed.", 10_000
    )
    spend: Annotated[float | None, OrNone(_PRICE)] = optional(
        "Largest cost of all changes together; no limit if left out."
    )
    knob: Annotated[tuple[TuneKnob, ...], tables("tune.knob")] = described(
        "The choices that are still open.", ()
    )
    unsure: Annotated[tuple[TuneUnsure, ...], tables("tune.unsure")] = described(
        "The values that are known only roughly.", ()
    )

    @property
    def unused(self) -> tuple[str, ...]:
        """Keys and tables that are left out."""
        return tuple(name for name, value in self if value is None or value == ())
