"""Types of arrays."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Places = NDArray[np.intp]
"""Indices into another array: rows, groups, bins."""
Value = TypeVar("Value", float, Floats)
"""A float or an array, of functions that serve both."""
