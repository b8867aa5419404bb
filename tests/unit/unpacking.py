"""Columns of numbers as a page unpacks them."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from numpy.typing import NDArray

LITTLE_ENDIAN = {"f8": "<f8", "f4": "<f4", "i4": "<i4", "u1": "u1"}


def unpacked(column: Any) -> NDArray[Any]:
    """Return the numbers of a column of a scene."""
    return np.frombuffer(base64.b64decode(column["data"]), LITTLE_ENDIAN[column["kind"]])
