"""Where an insert lies on its carrier (model, sections 9 and 10)."""

from __future__ import annotations

from typing import overload

import numpy as np

from feedsim.arrays import Floats

AT_REST_MM_S = 1e-9
"""A belt this slow is at rest."""


@overload
def on_carrier(travelled_mm: float, *, eye_to_placement_mm: float, slip_mm: float) -> float: ...
@overload
def on_carrier(travelled_mm: Floats, *, eye_to_placement_mm: float, slip_mm: Floats) -> Floats: ...
def on_carrier(
    travelled_mm: float | Floats, *, eye_to_placement_mm: float, slip_mm: float | Floats
) -> float | Floats:
    """Return the offset (mm) from the carrier's leading edge to that of an insert that lands.

    ``travelled_mm``: of the belt since that edge passed its eye. ``slip_mm``: of the carrier.
    """
    return travelled_mm - eye_to_placement_mm - slip_mm


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
