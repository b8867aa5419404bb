"""Whether an insert lies on its carrier (model, section 10)."""

from __future__ import annotations

from typing import overload

import numpy as np

from feedsim.arrays import Floats


@overload
def inside_mm(offset_mm: float, *, room_mm: float) -> float: ...
@overload
def inside_mm(offset_mm: Floats, *, room_mm: float) -> Floats: ...
def inside_mm(offset_mm: float | Floats, *, room_mm: float) -> float | Floats:
    """Return how far the end nearer to its carrier's end lies inside it (mm); below 0: beyond it.

    ``offset_mm``: from the carrier's leading edge to the insert's. ``room_mm``: carrier length less
    insert length.
    """
    return np.minimum(offset_mm, room_mm - offset_mm)
