"""Types of arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Places = NDArray[np.intp]
"""Indices into another array: rows, groups, bins."""
