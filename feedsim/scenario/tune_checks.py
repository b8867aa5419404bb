"""Whether the tune table fits the rest of the scenario."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.scenario.faults import refused_faults
from feedsim.scenario.given import Given, KeyPath
from feedsim.scenario.keys import KeyType, RefusedValue
from feedsim.scenario.overrides import apply_overrides
from feedsim.scenario.tree import node, path_of
from feedsim.scenario.tune import Span, TuneUnsure
from feedsim.scenario.tune_values import had, off
from feedsim.scenario.wording import dotted, shown

_LINE_SPEED = "line.speed"
_MOST = {"knob": 12, "unsure": 24}
_OWN = ("tune", "sweep", "title", "seed", "run", "acceptance")
_TYPED = (
    "stage_position",
    "engage_distance",
    "engage_lead",
    "disengage_distance",
    "disengage_lead",
)
"""Settings of a feeder that the machine takes exactly as typed in."""


def is_of_machine(key: str) -> bool:
    """Return whether a key describes the machine, not a trial of it (carriers, seed, tune table).

    >>> is_of_machine("carrier_eye.response"), is_of_machine("run.carriers")
    (True, False)
    """
    return key.split(".", maxsplit=1)[0].strip() not in _OWN


def leaf_of(key: str) -> KeyType | None:
    """Return the type of a key by its path; None if it is not a key with a value."""
    found = node(path_of(key))
    return found.leaf if found else None


def raw_of(data: Mapping[str, Any], key: str) -> Any:
    """Return the raw value of a key in a scenario's data, or its default."""
    return Given(dict(data)).raw(*path_of(key))


def tune_faults(data: dict[str, Any], given: Given) -> Iterator[Fault]:
    """Find faults between keys of the tune table, and between it and the line."""
    table = data.get("tune")
    if not isinstance(table, dict):
        return
    for name in ("knob", "unsure"):
        rows = table.get(name, ())
        if not isinstance(rows, (list, tuple)):
            continue
        seen: dict[str, int] = {}
        if len(rows) > _MOST[name]:
            allowed = f"at most {_MOST[name]} of [[tune.{name}]]"
            yield Fault(f"tune.{name}", shown(rows), allowed)
            continue
        for place, row in enumerate(rows):
            here: KeyPath = ("tune", name, place)
            if not isinstance(row, dict) or not isinstance(key := row.get("key"), str):
                continue
            if key in seen:
                yield Fault(
                    dotted((*here, "key")), shown(key), f"a key of its own: {seen[key]} has it"
                )
                continue
            seen[key] = place
            yield from _row(data, given, here, key)
    yield from _speed(given, table)


def _row(data: dict[str, Any], given: Given, here: KeyPath, key: str) -> Iterator[Fault]:
    leaf, unknown = leaf_of(key), _unknown(data, key)
    if leaf is None or not is_of_machine(key) or unknown:
        what = "a key of the machine that holds a value, such as feeder.0.settings.stage_position"
        yield Fault(dotted((*here, "key")), shown(key), what, unknown)
        return
    if here[1] == "knob":
        values, price = given(*here, "values"), given(*here, "price")
        if values is None or price is None:
            return
        if key == _LINE_SPEED:
            message = (
                "the line speed is no knob: the aim speed looks for the highest, any other aim "
                f"takes it from tune.speed ({argument('speed')})"
            )
            yield Fault(dotted((*here, "key")), shown(key), message=message)
            return
        yield from _knob(here, leaf, values, price=price)
        return
    if ".settings." in key and key.rsplit(".", maxsplit=1)[-1] in _TYPED:
        message = (
            f"{key} is typed in, so it is known; only properties of the machine can be unsure, "
            "such as carrier_eye.response or feeder.0.insert.gap"
        )
        yield Fault(dotted((*here, "key")), shown(key), message=message)
        return
    try:
        unsure = TuneUnsure(**data["tune"]["unsure"][here[2]])
    except ValueError:
        return  # reported with the keys themselves
    try:
        off(leaf, unsure, believed=raw_of(data, key))
    except RefusedValue as refused:
        yield from refused_faults(refused, here, key)


def _knob(
    here: KeyPath, leaf: KeyType, values: Sequence[Any] | Span, *, price: float | tuple[float, ...]
) -> Iterator[Fault]:
    try:
        found = had(leaf, values)
    except RefusedValue as refused:
        yield from refused_faults(refused, (*here, "values"), values)
        return
    if isinstance(price, tuple) and (isinstance(values, Span) or len(price) != len(found)):
        one = "one price, since the values are a range"
        allowed = one if isinstance(values, Span) else f"one price, or {len(found)} of them"
        yield Fault(dotted((*here, "price")), shown(list(price)), allowed)


def _unknown(data: dict[str, Any], key: str) -> str:
    """Say why a path leads nowhere; "" if it leads somewhere."""
    try:
        apply_overrides({n: v for n, v in data.items() if n != "tune"}, [f"{key}=0"])
    except FeedsimError as error:
        return str(error.faults[0])
    return ""


def _speed(given: Given, table: dict[str, Any]) -> Iterator[Fault]:
    if given("tune", "aim") == "speed" and table.get("speed") is not None:
        message = 'stands only beside an aim at a given speed; the aim here is "speed"'
        yield Fault("tune.speed", shown(table["speed"]), "no speed", message)
