"""Columns of numbers as text, exact to the last bit, for a page to unpack."""

from __future__ import annotations

import base64
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from feedsim.metrics.plain import Plain

Kind = Literal["f8", "f4", "i4", "u1"]
"""Double, single, whole number, small whole number from 0 to 255."""

Column = dict[str, Plain]
"""``kind``, and ``data``: the numbers in little-endian bytes, as base64."""

_TYPES: dict[Kind, str] = {"f8": "<f8", "f4": "<f4", "i4": "<i4", "u1": "u1"}


def column(values: ArrayLike, kind: Kind = "f8") -> Column:
    """Pack a column of numbers; a NaN stays one, which JSON could not say.

    Parameters
    ----------
    values : array_like, shape (n,)

    Raises
    ------
    ValueError
        If a whole number does not fit.

    Examples
    --------
    >>> column([3, 4], "u1")
    {'kind': 'u1', 'data': 'AwQ='}
    """
    given = np.asarray(values)
    packed = given.astype(_TYPES[kind])
    if kind in {"i4", "u1"} and not np.array_equal(packed, given):
        msg = f"not all of these are whole numbers that fit into {kind}"
        raise ValueError(msg)
    return {"kind": kind, "data": base64.b64encode(packed.tobytes()).decode("ascii")}
