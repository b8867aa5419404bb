"""Typed figures to plain data that JSON can hold."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass

__all__ = ["Plain", "plain"]

Plain = None | bool | int | float | str | list["Plain"] | dict[str, "Plain"]


def plain(value: object) -> Plain:
    """Return a value as dicts, lists, numbers, strings and None.

    A dataclass becomes a dict of its fields in their order, a tuple a list; a float that
    is NaN or infinite becomes None, since JSON has no such number.

    Raises
    ------
    TypeError
        For anything else, so that no figure leaves in a form that was not meant.
    """
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [plain(part) for part in value]
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    msg = f"no plain form for a {type(value).__name__}"
    raise TypeError(msg)
