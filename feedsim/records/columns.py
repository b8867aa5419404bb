"""What leaves the engine: one row per carrier and feeder, in NumPy columns.

All columns of one record have shape ``(n,)``, n the number of carriers with the warm-up
included; row k is carrier k. Where an event did not happen (a missed carrier has no placement), a
float is NaN, the number of an insert −1, a count or flag 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.records.stop import Adjustment, Stop

Small = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class CarrierRecords:
    """Where and when each carrier passed the carrier eye.

    ``leading_edge_mm``, ``eye_time_s``: belt travel and time at which the leading edge is at the
    eye. ``divert_by_time_s``: the latest time to decide to divert the carrier; empty without a
    gate.
    """

    leading_edge_mm: Floats
    eye_time_s: Floats
    divert_by_time_s: Floats = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, slots=True)
class InsertBooks:
    """Where the inserts of one feeder went, over the whole run, warm-up included.

    ``drawn`` = ``placed`` + ``strays`` + ``second_halves`` + ``rejected`` + ``in_feeder``.
    """

    drawn: int
    placed: int
    strays: int
    second_halves: int
    rejected: int
    in_feeder: int


@dataclass(frozen=True, slots=True)
class FeederRecords:
    """What one feeder did for each carrier; a cycle belongs to its carrier.

    Attributes
    ----------
    outcome : int8
        :class:`~feedsim.records.outcome.Outcome`.
    insert : int64
        Number of the insert engaged for the carrier, −1 for none.
    engage_time_s : float64
        Motion tick at which the clutch closed.
    stage_position_mm : float64
        Where the nose rested when the clutch closed (its end of travel).
    placement_time_s, offset_mm, placement_error_mm : float64
        Time of landing; offset from leading edge to leading edge; offset minus target.
    nose_speed_mm_s, belt_speed_mm_s : float64
        At the landing.
    opening_time_s, tail_mm : float64
        Motion tick at which the clutch opened in this cycle; position of the engaged insert's
        tail at that tick, from the insert eye.
    ready_time_s : float64
        When the feeder was ready again.
    demanded_acceleration_mm_s2 : float64
        The larger demand of the cycle's two ramps.
    strays : int32
        Inserts that went past the eye unseen in this cycle.
    double, called_double : int8
        1 if the engaged insert was a double; 1 if the double check said so.
    late_engage, late_opening : int8
        1 if the clutch closed, or opened, after its point.
    missed_time_s : float64
        When the program knew that the carrier gets no insert here; NaN if it never knew.
    """

    outcome: Small
    insert: NDArray[np.int64]
    engage_time_s: Floats
    stage_position_mm: Floats
    placement_time_s: Floats
    offset_mm: Floats
    placement_error_mm: Floats
    nose_speed_mm_s: Floats
    belt_speed_mm_s: Floats
    opening_time_s: Floats
    tail_mm: Floats
    ready_time_s: Floats
    demanded_acceleration_mm_s2: Floats
    strays: NDArray[np.int32]
    double: Small
    called_double: Small
    late_engage: Small
    late_opening: Small
    missed_time_s: Floats
    books: InsertBooks


@dataclass(frozen=True, slots=True)
class RunRecords:
    """A whole run, or several runs of one machine joined.

    ``warm_up``: number of carriers before the counted ones. ``start_time_s``: when the belt
    started. ``begins``: the first row of each run, the first always 0. ``zeros_s``: when each run's
    own clock read 0. ``left_out``: carriers of each run that came before its first row.
    ``stops`` and ``adjustments``: in order of time. ``end_time_s``, ``gave_up``: when and why the
    run was given up, if it was (else NaN and empty).
    """

    warm_up: int
    start_time_s: float
    carriers: CarrierRecords
    feeders: tuple[FeederRecords, ...]
    begins: tuple[int, ...] = (0,)
    zeros_s: tuple[float, ...] = (0.0,)
    left_out: int = 0
    stops: tuple[Stop, ...] = ()
    adjustments: tuple[Adjustment, ...] = ()
    end_time_s: float = math.nan
    gave_up: str = ""

    @property
    def counted_from_s(self) -> float:
        """When the last carrier of the warm-up passed the eye; else when the belt started."""
        if self.warm_up == 0:
            return self.start_time_s
        start = float(self.carriers.eye_time_s[self.warm_up - 1])
        return self.start_time_s if math.isnan(start) else start
