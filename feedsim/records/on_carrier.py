"""Where an insert lies on its carrier (model, sections 9 and 10)."""

from __future__ import annotations

import numpy as np

from feedsim.arrays import Value

AT_REST_MM_S = 1e-9
"""A belt this slow is at rest."""


def on_carrier(travelled_mm: Value, *, eye_to_placement_mm: float, slip_mm: Value) -> Value:
    """Return the offset (mm) from the carrier's leading edge to that of an insert that lands.

    ``travelled_mm``: of the belt since that edge passed its eye. ``slip_mm``: of the carrier.
    """
    return travelled_mm - eye_to_placement_mm - slip_mm


def inside_mm(offset_mm: Value, *, room_mm: float) -> Value:
    """Return how far the end nearer to its carrier's end lies inside it (mm); below 0: beyond it.

    ``offset_mm``: from the carrier's leading edge to the insert's. ``room_mm``: carrier length less
    insert length.
    """
    inside: Value = np.minimum(offset_mm, room_mm - offset_mm)
    return inside
