"""Answers as data: typed classes read from plain data, and checked."""

from __future__ import annotations

from collections.abc import Hashable
from functools import cache
from typing import Any, TypeVar, cast

__all__ = ["read_as"]

T = TypeVar("T")


def read_as(kind: type[T], data: object) -> T:
    """Read what :func:`feedsim.metrics.plain.plain` has written, and check it.

    Parameters
    ----------
    kind : type
        A dataclass, or what a field of one may be.
    data : object
        Plain data.

    Raises
    ------
    ValueError
        If it is not what such a class holds.
    """
    found: T = _reader(cast("Hashable", kind)).validate_python(data)
    return found


@cache
def _reader(kind: Hashable) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(cast("Any", kind))
