"""Knobs and unsure values written on one line: ``KEY=40:90:1 mm``, ``KEY=±0.2 ms``."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.scenario.overrides import toml_or_text
from feedsim.scenario.tune import LAWS
from feedsim.scenario.wording import shown

_NUMBER = r"[+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})"
_PART = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d+", re.ASCII)
_KNOB = (
    'a key and its possible values, such as "feeder.0.settings.stage_position=40:90:1 mm" (from, '
    'to, step; the step may be left out) or "controller.motion_cycle=0.5,1,2 ms"'
)
_UNSURE = (
    'a key and how far it may be off, such as "carrier_eye.response=±0.2 ms", then perhaps a law: '
    + " or ".join(LAWS)
)


def with_tune(
    data: Mapping[str, Any],
    *,
    knobs: Sequence[str] = (),
    unsure: Sequence[str] = (),
    **keys: Any,
) -> dict[str, Any]:
    """Return a copy of a scenario's data with more in its tune table.

    ``knobs``, ``unsure``: as for :func:`knob_of` and :func:`unsure_of`, each in place of an entry
    of the same key; ``keys``: others of the table; None leaves one unchanged. Raises FeedsimError
    if one is malformed; whether it fits the line is checked with the data.
    """
    table = dict(data["tune"]) if isinstance(data.get("tune"), dict) else {}
    table |= {name: value for name, value in keys.items() if value is not None}
    for name, rows in (("knob", map(knob_of, knobs)), ("unsure", map(unsure_of, unsure))):
        there = table.get(name, [])
        for row in rows:
            kept = [
                old for old in there if not isinstance(old, dict) or old.get("key") != row["key"]
            ]
            there = [*kept, row]
        if there:
            table[name] = there
    return {**data, "tune": table}


def asked_as(
    table: Mapping[str, Any],
    *,
    knobs: Sequence[str] = (),
    unsure: Sequence[str] = (),
    **keys: Any,
) -> dict[str, str]:
    """Return the argument that each part added by :func:`with_tune` came from.

    >>> asked_as({"knob": [{"key": "seed"}, {"key": "run.carriers"}]}, knobs=["run.carriers=1,2"])
    {'tune.knob.1': 'knobs run.carriers'}
    """
    found = {f"tune.{name}": argument(name) for name, value in keys.items() if value is not None}
    given_as = {"knob": argument("knobs"), "unsure": argument("unsure")}
    for name, rows in (("knob", map(knob_of, knobs)), ("unsure", map(unsure_of, unsure))):
        given = {row["key"] for row in rows}
        for place, row in enumerate(table.get(name, [])):
            if isinstance(row, dict) and row.get("key") in given:
                found[f"tune.{name}.{place}"] = f"{given_as[name]} {row['key']}"
    return found


def knob_of(text: str) -> dict[str, Any]:
    """Read a knob: a range ``KEY=40:90:1 mm`` or a list ``KEY=0.5,1,2 ms``, ``KEY=a,b``.

    >>> knob_of("feeder.0.settings.stage_position=40:90:1 mm")["values"]
    {'from': '40 mm', 'to': '90 mm', 'step': '1 mm'}
    >>> knob_of("controller.motion_cycle=0.5,1 ms")["values"]
    ['0.5 ms', '1 ms']
    """
    key, values = _parts("knobs", text, _KNOB)
    ranged = ":" in values
    parts = [part.strip() for part in values.split(":" if ranged else ",")]
    if not all(parts) or (ranged and len(parts) not in (2, 3)):
        raise FeedsimError(Fault(argument("knobs"), shown(text), _KNOB))
    last = _PART.fullmatch(parts[-1])
    unit = last[2] if last else ""
    if not ranged:
        _refuse_decimal_comma(text, values, parts, unit)
    full = [_value(part, unit) for part in parts]
    if not ranged:
        return {"key": key, "values": full}
    return {"key": key, "values": dict(zip(("from", "to", "step"), full, strict=False))}


def _refuse_decimal_comma(text: str, values: str, parts: Sequence[str], unit: str) -> None:
    """Refuse ``0,5 ms``: it is more likely a decimal comma than 0 ms and 5 ms."""
    place = next((n for n, part in enumerate(parts[:-1]) if _WHOLE.fullmatch(part)), None)
    if place is None or "." in values or not re.search(r"\d,\d", values, re.ASCII):
        return
    if parts[0] != "0" and not parts[0].startswith("-"):
        return  # whole numbers, such as 20,24 ms: a knob has more than one value
    one = _value(f"{parts[place]}.{parts[place + 1]}", unit)
    each = ", ".join(str(_value(part, unit)) for part in parts)
    message = f'found {shown(text)}; write "{one}" with a point, or if it is a list "{each}"'
    raise FeedsimError(Fault(argument("knobs"), message=message))


def unsure_of(text: str) -> dict[str, Any]:
    """Read an uncertain value: ``KEY=±0.2 ms``, followed by its law if not uniform.

    >>> unsure_of("carrier_eye.response=+-0.2 ms normal")
    {'key': 'carrier_eye.response', 'by': '0.2 ms', 'law': 'normal'}
    """
    key, value = _parts("unsure", text, _UNSURE)
    half, _, law = value.rpartition(" ")
    found = {"law": law} if law in LAWS else {}
    by = (half if found else value).strip()
    for sign in ("±", "+-", "+/-"):
        by = by.removeprefix(sign).strip()
    if not by:
        raise FeedsimError(Fault(argument("unsure"), shown(text), _UNSURE))
    return {"key": key, "by": by, **found}


def _parts(name: str, text: str, forms: str) -> tuple[str, str]:
    key, equals, after = (part.strip() for part in text.partition("="))
    if not (equals and key and after):
        raise FeedsimError(Fault(argument(name), shown(text), forms))
    return key, after


def _value(part: str, unit: str) -> Any:
    match = _PART.fullmatch(part)
    if match is None:
        return toml_or_text(part)
    if match[2]:
        return part
    return f"{part} {unit}" if unit else toml_or_text(part)
