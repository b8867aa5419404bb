"""Typed figures to plain data that JSON can hold."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import Field, fields, is_dataclass
from enum import Enum
from types import MappingProxyType
from typing import Any

Plain = None | bool | int | float | str | list["Plain"] | dict[str, "Plain"]

AMONG: Mapping[str, Any] = MappingProxyType({"among": True})
"""Metadata of a field whose own fields are merged into those of the whole."""
IF_ANY: Mapping[str, Any] = MappingProxyType({"if_any": True})
"""Metadata of a field that is left out if empty."""
LEFT_OUT: Mapping[str, Any] = MappingProxyType({"left_out": True})
"""Metadata of a field that is not part of the plain form."""
MAY_BE_OPEN: Mapping[str, Any] = MappingProxyType({"may_be_open": True})
"""Metadata of a number that may be NaN or infinite, null in JSON."""


def plain(value: object) -> Plain:
    """Return a value as dicts, lists, numbers, strings and None; TypeError for anything else.

    A dataclass becomes a dict of its fields in order, a tuple a list, and a NaN or infinite float
    None, since JSON has no such number. Metadata of a field may change this: :data:`AMONG`,
    :data:`IF_ANY`, :data:`LEFT_OUT`, or under ``"plain"`` a function that makes its plain form.
    """
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [plain(part) for part in value]
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return dict(pair for f in fields(value) for pair in _of_field(f, getattr(value, f.name)))
    msg = f"no plain form for a {type(value).__name__}"
    raise TypeError(msg)


def as_object(value: object) -> dict[str, Plain]:
    """Return the plain form of a dataclass; TypeError for anything else."""
    found = plain(value)
    if not isinstance(found, dict):
        msg = f"a {type(value).__name__} has no fields"
        raise TypeError(msg)
    return found


def _of_field(f: Field[Any], value: object) -> Iterator[tuple[str, Plain]]:
    if "left_out" in f.metadata:
        return
    found: Plain = f.metadata.get("plain", plain)(value)
    if "among" in f.metadata and isinstance(found, dict):
        yield from found.items()
    elif found or "if_any" not in f.metadata:
        yield f.name, found
