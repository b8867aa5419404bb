"""Columns of numbers, packed for a page."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import partial
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from feedsim.metrics.plain import Plain

Kind = Literal["f8", "f4", "i4", "u1"]
"""Double, single, whole number, small whole number from 0 to 255."""

_TYPES: dict[Kind, str] = {"f8": "<f8", "f4": "<f4", "i4": "<i4", "u1": "u1"}


def column(values: ArrayLike, kind: Kind = "f8") -> dict[str, Plain]:
    """Pack numbers as little-endian bytes in base64; NaN survives, unlike in JSON.

    Raises ValueError if a whole number does not fit.

    >>> column([3, 4], "u1")
    {'kind': 'u1', 'data': 'AwQ='}
    """
    given = np.asarray(values)
    packed = given.astype(_TYPES[kind])
    if kind in {"i4", "u1"} and not np.array_equal(packed, given):
        msg = f"not all of these are whole numbers that fit into {kind}"
        raise ValueError(msg)
    return {"kind": kind, "data": base64.b64encode(packed.tobytes()).decode("ascii")}


def columns(values: Mapping[str, ArrayLike], kind: Kind = "f8") -> dict[str, Plain]:
    """Pack columns by name."""
    return {name: column(numbers, kind) for name, numbers in values.items()}


def _packed(kind: Kind) -> Mapping[str, Any]:
    return MappingProxyType({"plain": partial(column, kind=kind)})


DOUBLES = _packed("f8")
"""Metadata of a field of numbers: its plain form is a column of this kind, as of the next three."""
SINGLES = _packed("f4")
WHOLES = _packed("i4")
BYTES = _packed("u1")
