"""The carrier eye on a line that may stop: it keeps reading while the sequences are halted."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

from simpy import Event

from feedsim.motion.belt import belt_time_at
from feedsim.records.outcome import Outcome
from feedsim.simulation.carrier_eye import CarrierEye
from feedsim.simulation.input_level import output_on
from feedsim.simulation.mark_memory import Mark

_Drawn = tuple[float, float, float, float, bool]


class SupervisedCarrierEye(CarrierEye):
    """One photo-eye over the belt, read for all feeders.

    Nothing that passes from ``dirty_from_s`` to ``dirty_until_s`` is seen. An event of ``comes``
    happens, with the belt travel (mm), once the arrival of a carrier is known. All of ``on_switch``
    are called with the time (s) when the output switches on.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.dirty_from_s = math.inf
        self.dirty_until_s = -math.inf
        self.comes: dict[int, Event] = {}
        self.on_switch: list[Callable[[float], None]] = []
        self._switched = -1
        self._known = -1

    def announce(self) -> None:
        """Announce the arrival of these carriers; call it before the run."""
        self._carriers = self._announced(self._carriers)

    def _announced(self, carriers: Iterator[_Drawn]) -> Iterator[_Drawn]:
        for carrier, drawn in enumerate(carriers):
            event = self.comes.pop(carrier, None)
            if event is not None:
                leading, *_ = drawn
                event.succeed(leading)
            yield drawn

    @property
    def passed(self) -> int:
        """Number of carriers that the eye has processed."""
        alive = self.process is None or self.process.is_alive
        return max(0, len(self.leading_edge_mm) - int(alive))

    @property
    def to_come(self) -> bool:
        """Whether a carrier is still to come."""
        return self.passed < self._count

    def is_dirty(self, t: float) -> bool:
        """Return whether the eye is dirty at time ``t`` (s)."""
        return self.dirty_from_s <= t < self.dirty_until_s

    def place_of(self, carrier: int) -> tuple[float, float]:
        """Return leading edge (mm of belt travel) and slip (mm) of a carrier that has come."""
        return self.leading_edge_mm[carrier], self.slip_mm[carrier]

    def fate(self, seen: float, passed: float) -> Outcome | None:
        """Return how an edge that passes is lost; a dirty eye sees none."""
        if self.dirty_from_s <= passed < self.dirty_until_s:
            return Outcome.NOT_SEEN
        return super().fate(seen, passed)

    def switch(self, carrier: int, t: float) -> None:
        """Switch the output on at time ``t`` (s), and notify the watches."""
        self._switched = carrier
        super().switch(carrier, t)
        for told in self.on_switch:
            told(t)

    def tell(self, event: Event) -> None:
        """Pass on a mark, unless a stop has lost it."""
        known: tuple[float, Mark] = event.value  # type: ignore[assignment]
        _, mark = known
        if mark.carrier > self._known:
            self._known = mark.carrier
            super().tell(event)

    def lose_unknown(self) -> range:
        """Lose the edges that have switched but are not known yet; return their numbers.

        Some of them may have been lost before, unseen or merged.
        """
        lost = range(self._known + 1, self._switched + 1)
        self._known = max(self._known, self._switched)
        return lost

    def output_on(self, t: float) -> bool:
        """Return whether the output is on at time ``t`` (s), given the edges processed so far."""
        master = self._conveyor.master
        return output_on(self._level, self._output, belt_time_at, master.belt, master, t)

    def end(self) -> int:
        """Draw the carriers that have not come yet; return how many have."""
        come = self.passed
        self.halt()
        for leading, _, _, slip, _ in islice(
            self._carriers, self._count - len(self.leading_edge_mm)
        ):
            self.leading_edge_mm.append(leading)
            self.slip_mm.append(slip)
        return come
