"""Keys of a sweep over line speeds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated, Any

from feedsim.measures import canonical
from feedsim.scenario.keys import (
    Below,
    KeyType,
    Quantity,
    RefusedValue,
    Section,
    Whole,
    key,
    quantity_schema,
)

_SPEED = Quantity("speed", above=0.0)


@dataclass(frozen=True, slots=True)
class SpeedRange:
    """Speeds from one to another in equal steps; all in mm/s."""

    from_mm_s: float
    to_mm_s: float
    step_mm_s: float

    @property
    def count(self) -> int:
        """Number of speeds; the end is included if a step reaches it."""
        return 1 + math.floor((self.to_mm_s - self.from_mm_s) / self.step_mm_s + 1e-9)


@dataclass(frozen=True)
class Speeds(KeyType):
    """A list of speeds, or a range of them."""

    most: int = 1000

    def _read(self, raw: Any) -> tuple[float, ...] | SpeedRange:
        if isinstance(raw, dict):
            return self._range(raw)
        if not isinstance(raw, (list, tuple)) or not 1 <= len(raw) <= self.most:
            raise RefusedValue(self.allowed)
        speeds: list[float] = []
        faults: list[Below] = []
        for place, speed in enumerate(raw):
            try:
                speeds.append(_SPEED.read(speed))
            except RefusedValue as refused:
                faults.append(((place,), speed, refused.allowed))
        if faults:
            raise RefusedValue(self.allowed, below=tuple(faults))
        return tuple(speeds)

    def _range(self, raw: dict[str, Any]) -> SpeedRange:
        speeds: dict[str, float] = {}
        faults: list[Below] = []
        for name in ("from", "to", "step"):
            try:
                speeds[name] = _SPEED.read(raw[name])
            except KeyError:
                faults.append(((name,), None, 'a speed, such as "60 m/min"'))
            except RefusedValue as refused:
                faults.append(((name,), raw[name], refused.allowed))
        faults += [
            ((name,), value, 'only "from", "to" and "step" beside it')
            for name, value in raw.items()
            if name not in ("from", "to", "step")
        ]
        if faults:
            raise RefusedValue(self.allowed, below=tuple(faults[:20]))
        speed_range = SpeedRange(speeds["from"], speeds["to"], speeds["step"])
        if speed_range.to_mm_s < speed_range.from_mm_s:
            raise RefusedValue(
                self.allowed, below=((("to",), raw["to"], 'at least the speed in "from"'),)
            )
        if speed_range.count > self.most:
            allowed = f"a larger step: at most {self.most} speeds, not {speed_range.count}"
            raise RefusedValue(self.allowed, below=((("step",), raw["step"], allowed),))
        return speed_range

    def _write(self, value: Any) -> Any:
        if isinstance(value, SpeedRange):
            ends = (value.from_mm_s, value.to_mm_s, value.step_mm_s)
            names = ("from", "to", "step")
            return {n: canonical(v, "speed") for n, v in zip(names, ends, strict=True)}
        return [canonical(speed, "speed") for speed in value]

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        speed = quantity_schema("speed")
        names = ("from", "to", "step")
        return {
            "anyOf": [
                {"type": "array", "items": speed, "minItems": 1, "maxItems": self.most},
                {
                    "type": "object",
                    "properties": dict.fromkeys(names, speed),
                    "required": list(names),
                    "additionalProperties": False,
                },
            ]
        }

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return (
            f"a list of 1 to {self.most} speeds, or "
            '{from = "20 m/min", to = "120 m/min", step = "10 m/min"}'
        )


class SweepKeys(Section):
    """Which line speeds a sweep runs."""

    speeds: Annotated[tuple[float, ...] | SpeedRange, Speeds()] = key(
        "The line speeds: a list, or a range from, to and step.",
        {"from": "20 m/min", "to": "120 m/min", "step": "10 m/min"},
    )
    replications: Annotated[int, Whole(1, 10_000)] = key(
        "Runs at each speed, each with its own random numbers.", 1
    )

    @property
    def speeds_mm_s(self) -> tuple[float, ...]:
        """All the line speeds, mm/s."""
        if not isinstance(self.speeds, SpeedRange):
            return self.speeds
        start, step = _exact(self.speeds.from_mm_s), _exact(self.speeds.step_mm_s)
        return tuple(float(start + step * place) for place in range(self.speeds.count))


def _exact(speed_mm_s: float) -> Fraction:
    """Return the fraction that this float was rounded from: 20 m/min is 1000/3 mm/s.

    Speeds of a range then equal single ones to the last bit.
    """
    near = Fraction(speed_mm_s).limit_denominator(1_000_000)
    return near if float(near) == speed_mm_s else Fraction(speed_mm_s)
