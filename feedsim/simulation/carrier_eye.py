"""The carrier eye: from passing carriers to marks that the program knows of."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator

from simpy import Event, Interrupt

from feedsim.machine import Eye
from feedsim.motion.ticks import SAME_INSTANT_S
from feedsim.records.outcome import Outcome
from feedsim.simulation.clock import PLAN_AGAIN, Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.mark_memory import Mark, MarkMemory
from feedsim.simulation.recorder import Tracer

__all__ = ["CarrierEye"]

_PROGRESS_EVERY = 256


class CarrierEye(Part):
    """One photo-eye over the belt, read for all feeders.

    Parameters
    ----------
    clock, conveyor
    eye : Eye
    length_mm : float
        Of a carrier.
    cards : iterator
        :class:`CarrierCard` fields, in order.
    count : int
        How many carriers come.
    memories : list of MarkMemory
        One for each feeder.
    tracer : Tracer, optional
    progress : callable, optional
        Told now and then how many carriers have passed.
    """

    def __init__(
        self,
        clock: Clock,
        conveyor: Conveyor,
        *,
        eye: Eye,
        length_mm: float,
        cards: Iterator[tuple[float, float, float, float, bool]],
        count: int,
        memories: list[MarkMemory],
        tracer: Tracer | None,
        progress: Callable[[int], None] | None,
    ) -> None:
        super().__init__(clock)
        self._conveyor = conveyor
        self._eye = eye
        self._length_mm = length_mm
        self._cards = cards
        self._count = count
        self._memories = memories
        self._tracer = tracer
        self._progress = progress
        self._order_known = Order.MARK_KNOWN.of(0)
        self._held_mm = -math.inf
        self._switched_s = -math.inf
        self.leading_edge_mm = array("d")
        self.slip_mm = array("d")

    def run(self) -> Steps:
        """See every carrier, in order."""
        clock, conveyor = self.clock, self._conveyor
        order = Order.CARRIER_EYE.of(0)
        for carrier in range(self._count):
            card = next(self._cards)
            leading, seen, delay, slip, missed = card
            self.leading_edge_mm.append(leading)
            self.slip_mm.append(slip)
            if self._progress is not None and carrier % _PROGRESS_EVERY == 0:
                self._progress(carrier)
            lost = Outcome.NOT_SEEN if missed else None
            while True:
                passed = conveyor.master.belt.time_at(seen)
                if not missed:
                    lost = self._fate(seen, passed)
                t = passed if lost else max(passed + delay, self._switched_s)
                try:
                    yield clock.at(t, order)
                except Interrupt as call:
                    if call.cause is not PLAN_AGAIN:
                        raise
                    continue
                break
            if lost is not Outcome.NOT_SEEN:
                self._held_mm = leading + self._length_mm
            if lost:
                self._lose(carrier, lost, t=t)
            else:
                self._switch(carrier, t)

    def _fate(self, seen: float, passed: float) -> Outcome | None:
        """Return how an edge that passes is lost, if it is; None where the output switches."""
        return Outcome.MERGED if self._merges(seen, passed) else None

    def _switch(self, carrier: int, t: float) -> None:
        """Switch the output on at time ``t`` (s); the program knows at the next scan tick."""
        self._switched_s = t
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", "switches", carrier=carrier)
        master = self._conveyor.master
        reading = math.nan if self._eye.scanned else master.reading(t)
        tick = master.scan_tick(t)
        event = self.clock.at(tick, self._order_known, (tick, Mark(carrier, reading)))
        event.callbacks = [self._tell]

    def _merges(self, seen: float, passed: float) -> bool:
        """Tell whether the output is still on from the card before."""
        belt = self._conveyor.master.belt
        off = self._eye.off_response_s
        if seen - self._held_mm > belt.fastest_mm_s * off + 1.0:
            return False
        return passed < belt.time_at(self._held_mm) + off - SAME_INSTANT_S

    def _lose(self, carrier: int, outcome: Outcome, *, t: float) -> None:
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", outcome.cause, carrier=carrier)
        for memory in self._memories:
            memory.miss(carrier, outcome, t=t)

    def _tell(self, event: Event) -> None:
        """Hand a mark to every feeder's program at the scan tick that shows it."""
        known: tuple[float, Mark] = event.value  # type: ignore[assignment]
        t, mark = known
        if self._eye.scanned:
            mark = mark._replace(reading=self._conveyor.master.reading(t))
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", "known", carrier=mark.carrier)
        for memory in self._memories:
            memory.offer(mark, t)
