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
"""Metadata of a field whose own fields stand among those of the whole."""
IF_ANY: Mapping[str, Any] = MappingProxyType({"if_any": True})
"""Metadata of a field that is left out where it is empty."""
LEFT_OUT: Mapping[str, Any] = MappingProxyType({"left_out": True})
"""Metadata of a field that is no part of the plain form."""
MAY_BE_OPEN: Mapping[str, Any] = MappingProxyType({"may_be_open": True})
"""Metadata of a number that may be NaN or infinite, which JSON tells as null."""


def plain(value: object) -> Plain:
    """Return a value as dicts, lists, numbers, strings and None.

    A dataclass becomes a dict of its fields in their order, a tuple a list; a float that
    is NaN or infinite becomes None, since JSON has no such number. Metadata of a field may say
    more: :data:`AMONG`, :data:`IF_ANY`, :data:`LEFT_OUT`, or under ``"plain"`` what makes the
    plain form of it.

    Raises
    ------
    TypeError
        For anything else, so that no figure leaves in a form that was not meant.
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
    """Return the plain form of a dataclass.

    Raises
    ------
    TypeError
        For anything else.
    """
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
