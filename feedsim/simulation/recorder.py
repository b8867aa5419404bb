"""Columns and traces during a run."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from feedsim.records.columns import FeederRecords, InsertBooks
from feedsim.records.trace import TraceEvent

PENDING = -1
"""Outcome of a carrier that is not decided yet."""


class Columns:
    """The rows of one feeder, one per carrier, filled in as things happen.

    Plain ``array`` columns: writing a float takes a third of the time of a NumPy element, and they
    become NumPy columns without a copy.
    """

    def __init__(self, carriers: int) -> None:
        def floats() -> array[float]:
            return array("d", [math.nan]) * carriers

        def small(value: int = 0) -> array[int]:
            return array("b", [value]) * carriers

        self.outcome = small(PENDING)
        self.insert = array("q", [-1]) * carriers
        self.engage_time_s = floats()
        self.stage_position_mm = floats()
        self.placement_time_s = floats()
        self.nose_speed_mm_s = floats()
        self.opening_time_s = floats()
        self.tail_mm = floats()
        self.ready_time_s = floats()
        self.strays = array("i", [0]) * carriers
        self.double = small()
        self.called_double = small()
        self.late_engage = small()
        self.late_opening = small()
        self.missed_time_s = floats()
        self.drawn = 0
        self.placed = 0
        self.stray_total = 0
        self.second_halves = 0
        self.rejected = 0

    def records(self, *, in_feeder: int, derived: Mapping[str, Any]) -> FeederRecords:
        """Return the finished columns, with those that follow from the others, by name.

        ``in_feeder``: inserts still in the feeder.
        """
        books = InsertBooks(
            drawn=self.drawn,
            placed=self.placed,
            strays=self.stray_total,
            second_halves=self.second_halves,
            rejected=self.rejected,
            in_feeder=in_feeder,
        )
        columns: dict[str, Any] = {
            name: np.frombuffer(column, dtype=_TYPES[column.typecode])
            for name, column in vars(self).items()
            if isinstance(column, array)
        }
        return FeederRecords(**columns, **derived, books=books)


_TYPES = {"d": np.float64, "b": np.int8, "i": np.int32, "q": np.int64}


class Tracer:
    """Writes events while the carriers of interest (all by default) are on the line."""

    def __init__(self, carriers: range | None = None) -> None:
        self._carriers = carriers
        self.events: list[TraceEvent] = []
        self.belt_at: Callable[[float], float] = lambda _: math.nan

    def add(
        self,
        t: float,
        part: str,
        event: str,
        *,
        carrier: int = -1,
        insert: int = -1,
        feed_mm: float = math.nan,
        always: bool = False,
    ) -> None:
        """Note an event at time ``t`` (s) if its carrier is traced."""
        far = self._carriers is not None and carrier >= 0 and carrier not in self._carriers
        if far and not always:
            return
        self.events.append(TraceEvent(t, part, event, carrier, insert, self.belt_at(t), feed_mm))

    def in_order(self) -> tuple[TraceEvent, ...]:
        """Return the events in order of time."""
        return tuple(sorted(self.events, key=lambda e: e.time_s))
