"""The carrier eye: from passing carriers to marks that the program knows."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator

from simpy import Event, Interrupt

from feedsim.machine import Machine
from feedsim.motion.belt import belt_time_at
from feedsim.motion.capture import merges, output_of
from feedsim.records.outcome import Outcome
from feedsim.simulation.clock import PLAN_AGAIN, Clock, Order, Part, Steps
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.input_level import Decision, EyeVerdict, decide, level_of, level_take
from feedsim.simulation.mark_memory import Mark, MarkMemory
from feedsim.simulation.recorder import Tracer

_PROGRESS_EVERY = 256
_LOST = {EyeVerdict.TOO_SHORT: Outcome.NOT_SEEN, EyeVerdict.MERGES: Outcome.MERGED}


class CarrierEye(Part):
    """One photo-eye over the belt, read for all feeders, with a memory for each.

    ``carriers``: :class:`CarrierDraw` fields of ``count`` carriers, in order. ``progress`` is
    called now and then with the number passed.
    """

    def __init__(
        self,
        clock: Clock,
        conveyor: Conveyor,
        *,
        machine: Machine,
        carriers: Iterator[tuple[float, float, float, float, bool]],
        count: int,
        memories: list[MarkMemory],
        tracer: Tracer | None,
        progress: Callable[[int], None] | None,
    ) -> None:
        super().__init__(clock)
        self._conveyor = conveyor
        self._eye = eye = machine.carrier_eye
        self._length_mm = machine.carriers.length_mm
        self._carriers = carriers
        self._count = count
        self._memories = memories
        self._tracer = tracer
        self._progress = progress
        self._order_known = Order.MARK_KNOWN.of(0)
        self._output = output_of(eye, fastest_mm_s=machine.fastest_mm_s)
        self._switched_s = -math.inf
        self._level = level_of(eye)
        self._decision: Decision | None = None
        self.leading_edge_mm = array("d")
        self.slip_mm = array("d")

    def run(self) -> Steps:
        """See every carrier, in order."""
        clock = self.clock
        order = Order.CARRIER_EYE.of(0)
        for carrier in range(self._count):
            drawn = next(self._carriers)
            leading, _, _, slip, _ = drawn
            self.leading_edge_mm.append(leading)
            self.slip_mm.append(slip)
            if self._progress is not None and carrier % _PROGRESS_EVERY == 0:
                self._progress(carrier)
            while True:
                t, lost = self._plan(drawn)
                try:
                    yield clock.at(t, order)
                except Interrupt as call:
                    if call.cause is not PLAN_AGAIN:
                        raise
                    continue
                break
            self._hold(leading + self._length_mm, lost)
            if lost:
                self._lose(carrier, lost, t=t)
            else:
                self.switch(carrier, t)

    def _plan(self, drawn: tuple[float, float, float, float, bool]) -> tuple[float, Outcome | None]:
        """Return when the fate of a carrier is decided (s), and how it is lost, if it is."""
        leading, seen, delay, _, missed = drawn
        master = self._conveyor.master
        passed = master.belt.time_at(seen)
        lost = Outcome.NOT_SEEN if missed else self.fate(seen, passed)
        self._decision = None
        if self._level is None or lost is Outcome.NOT_SEEN:
            return (passed if lost else max(passed + delay, self._switched_s)), lost
        self._decision = decision = decide(
            self._level,
            self._output,
            belt_time_at,
            master.belt,
            master,
            passes_s=passed,
            switches_s=max(passed + delay, self._level.since_s),
            tail_mm=leading + self._length_mm,
        )
        return decision.t, _LOST.get(decision.seen)

    def _hold(self, tail_mm: float, lost: Outcome | None) -> None:
        """Record that the planned carrier has passed; its tail (mm) may hold the output."""
        if self._decision is not None and self._level is not None:
            level_take(self._level, self._decision, tail_mm)
        if self._decision is not None or lost is not Outcome.NOT_SEEN:
            self._output.held_mm = tail_mm

    def fate(self, seen: float, passed: float) -> Outcome | None:
        """Return how an edge that passes is lost, if it is; None where the output switches."""
        belt = self._conveyor.master.belt
        merged = merges(self._output, belt_time_at, belt, seen, passes_s=passed)
        return Outcome.MERGED if merged else None

    def switch(self, carrier: int, t: float) -> None:
        """Switch the output on at time ``t`` (s); the program knows at the next scan tick."""
        self._switched_s = t
        self._trace_level(carrier)
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", "switches", carrier=carrier)
        master = self._conveyor.master
        reading = math.nan if self._eye.scanned else master.reading(t)
        tick = master.scan_tick(t)
        event = self.clock.at(tick, self._order_known, (tick, Mark(carrier, reading)))
        event.callbacks = [self.tell]

    def _trace_level(self, carrier: int) -> None:
        """Note when output and input came on for a carrier, behind a filter or polled."""
        decision = self._decision
        if self._tracer is None or decision is None:
            return
        for event, t in decision.came_on():
            self._tracer.add(t, "carrier_eye", event, carrier=carrier)

    def _lose(self, carrier: int, outcome: Outcome, *, t: float) -> None:
        self._trace_level(carrier)
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", outcome.cause, carrier=carrier)
        for memory in self._memories:
            memory.miss(carrier, outcome, t=t)

    def tell(self, event: Event) -> None:
        """Pass a mark to every feeder's program at the scan tick that shows it."""
        known: tuple[float, Mark] = event.value  # type: ignore[assignment]
        t, mark = known
        if self._eye.scanned:
            mark = mark._replace(reading=self._conveyor.master.reading(t))
        if self._tracer is not None:
            self._tracer.add(t, "carrier_eye", "known", carrier=mark.carrier)
        for memory in self._memories:
            memory.offer(mark, t)
