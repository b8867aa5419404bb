"""Keys of planned faults, and of changes by an operator while the line runs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from feedsim.measures import canonical
from feedsim.quantities import Kind
from feedsim.scenario.keys import (
    Below,
    Choice,
    KeyType,
    Quantity,
    RefusedValue,
    Section,
    Whole,
    key,
    quantity_schema,
)
from feedsim.scenario.optional import OrNone, optional

KINDS = ("carrier_jam", "insert_jam", "no_insert", "eye_dirty", "emergency_stop")
SETTABLE: dict[str, tuple[Kind, Quantity]] = {
    "engage_distance": ("length", Quantity("length")),
    "engage_lead": ("time", Quantity("time", at_least=-10.0, at_most=10.0)),
    "disengage_distance": ("length", Quantity("length")),
    "disengage_lead": ("time", Quantity("time", at_least=-10.0, at_most=10.0)),
    "speed_trim": ("share", Quantity("share", at_least=-0.5, at_most=0.5)),
}
"""Settings of a feeder that an operator may change while the line runs."""

_SPEED = Quantity("speed", above=0.0)
_PATH = re.compile(r"feeder\.(\d{1,6})\.settings\.([a-z_]+)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Change:
    """One key and its new value; ``feeder`` −1 and ``name`` "speed": the line's speed."""

    feeder: int
    name: str
    value: float

    @property
    def path(self) -> str:
        """The key."""
        return "line.speed" if self.feeder < 0 else f"feeder.{self.feeder}.settings.{self.name}"


@dataclass(frozen=True)
class Changes(KeyType):
    """A table of keys and their new values."""

    def _read(self, raw: Any) -> tuple[Change, ...]:
        if not isinstance(raw, dict) or not raw:
            raise RefusedValue(self.allowed)
        changes, faults = [], []
        for path, value in _flat(raw):
            try:
                changes.append(self._change(path, value))
            except RefusedValue as refused:
                below: Below = ((path,), value, refused.allowed)
                faults.append(below)
        if faults:
            raise RefusedValue(self.allowed, below=tuple(faults[:20]))
        return tuple(changes)

    def _change(self, path: str, value: Any) -> Change:
        if path == "line.speed":
            return Change(-1, "speed", _SPEED.read(value))
        match = _PATH.fullmatch(path)
        if match is None or match[2] not in SETTABLE:
            names = ", ".join(SETTABLE)
            raise RefusedValue(f"line.speed, or of feeder.0.settings one of {names}")
        return Change(int(match[1]), match[2], SETTABLE[match[2]][1].read(value))

    def _write(self, value: Any) -> dict[str, str]:
        kinds = {name: kind for name, (kind, _) in SETTABLE.items()} | {"speed": "speed"}
        return {c.path: canonical(c.value, kinds[c.name]) for c in value}

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        patterns = {
            rf"^feeder\.[0-9]+\.settings\.{name}$": quantity_schema(kind)
            for name, (kind, _) in SETTABLE.items()
        }
        return {
            "type": "object",
            "properties": {"line.speed": quantity_schema("speed")},
            "patternProperties": patterns,
            "minProperties": 1,
        }

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return (
            'keys and their new values, such as {"line.speed" = "80 m/min", '
            '"feeder.0.settings.engage_distance" = "359 mm"}'
        )


def _flat(raw: dict[Any, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Yield paths and values of dotted keys and of nested tables."""
    for name, value in raw.items():
        path = f"{above}.{name}" if above else str(name)
        if isinstance(value, dict) and len(path) < 200:
            yield from _flat(value, path)
        else:
            yield path, value


class _Planned(Section):
    """An event at a time or at a carrier."""

    at: Annotated[float | None, OrNone(Quantity("time", at_least=0.0))] = optional(
        "When: a time from the start. This or carrier."
    )
    carrier: Annotated[int | None, OrNone(Whole(0, 100_000_000))] = optional(
        "When: as this carrier reaches its eye, by its number in carriers.csv. This or at."
    )


class PlannedFault(_Planned):
    """A planned fault, at a time or as a carrier reaches the carrier eye."""

    kind: Annotated[
        Literal["carrier_jam", "insert_jam", "no_insert", "eye_dirty", "emergency_stop"],
        Choice(*KINDS),
    ] = key("What goes wrong.")
    feeder: Annotated[int, Whole(0, 63)] = key("At which feeder, from 0.", 0)
    eye: Annotated[Literal["carrier", "insert"], Choice("carrier", "insert")] = key(
        "Which eye, if one is dirty.", "carrier"
    )
    duration: Annotated[float | None, OrNone(Quantity("time", above=0.0))] = optional(
        "How long a dirty eye sees nothing, a time."
    )

    @property
    def unused(self) -> tuple[str, ...]:
        """Keys that are left out, and the eye of a fault that has none."""
        return (*super().unused, *(("eye",) if self.kind != "eye_dirty" else ()))


class Adjust(_Planned):
    """A change by an operator while the line runs."""

    set: Annotated[tuple[Change, ...], Changes()] = key(
        "The keys to change and their new values: line.speed, and of a feeder's settings "
        f"{', '.join(SETTABLE)}."
    )
