"""The clock of a run: a SimPy environment with absolute times and one table of order."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from enum import IntEnum
from heapq import heappush
from typing import Any

from simpy import Environment, Event, Interrupt

Steps = Generator[Event, Any, Any]
"""The type of an event process in SimPy."""

PLAN_AGAIN = "plan again"
"""Cause of an interrupt: the plan no longer holds; plan again."""


HALT = "halt"
"""Cause of an interrupt: the process ends here."""


class Order(IntEnum):
    """Order of events at one instant, lowest first; then by the feeder's number.

    0 and 1 are SimPy's own (interrupts, and events that one process triggers for another).
    """

    BELT = 2
    LANDING = 3
    INSERT_EYE = 4
    CARRIER_EYE = 5
    READY = 6
    INSERT_KNOWN = 7
    MARK_KNOWN = 8
    OPENING = 9
    MARK = 10

    def of(self, feeder: int) -> int:
        """Return SimPy's priority number for this kind of event at a feeder."""
        return self * 1024 + feeder


class _Instant(Event):
    """An event at an absolute time, otherwise like SimPy's ``Timeout``."""

    _ok = True
    _value: object = None

    def carry(self, value: object) -> None:
        """Set the value that waiting processes and callbacks get."""
        self._value = value


class Clock(Environment):
    """A SimPy environment whose events are set for an instant, not for a delay.

    ``timeout(t − now)`` would give now + (t − now), which may differ from t by rounding; two events
    of one instant could then swap.
    """

    def undated(self) -> Event:
        """Return an event to be dated later, by :meth:`date`."""
        return _Instant(self)

    def date(self, event: Event, t: float, order: int) -> None:
        """Let an undated event happen at time ``t`` (s), or now if that is past."""
        if t < math.inf:
            now = self._now
            heappush(self._queue, (t if t > now else now, order, next(self._eid), event))  # type: ignore[misc]

    def at(self, t: float, order: int, value: object = None) -> Event:
        """Return an event that happens at time ``t`` (s), or now if that is past.

        It never happens if ``t`` is ``inf``.
        """
        if t == math.inf:
            return Event(self)
        event = _Instant(self)
        if value is not None:
            event.carry(value)
        now = self._now
        heappush(self._queue, (t if t > now else now, order, next(self._eid), event))  # type: ignore[misc]
        return event

    def until(self, plan: Callable[[], float], order: int) -> Generator[Event, Any, float]:
        """Wait for a planned instant (s), planning again whenever asked to, and return it.

        The clock shows it up to rounding.
        """
        while True:
            t = plan()
            try:
                yield self.at(t, order)
            except Interrupt as call:
                if call.cause is not PLAN_AGAIN:
                    raise
                continue
            return t

    def wait(self, event: Event) -> Generator[Event, Any, None]:
        """Wait for an event of another part, through any new planning."""
        while True:
            try:
                yield event
            except Interrupt as call:
                if call.cause is not PLAN_AGAIN:
                    raise
                continue
            return


class Part:
    """A part of the line that runs as an event process."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.process: Any = None

    def run(self) -> Steps:
        """Return the event process."""
        raise NotImplementedError

    def start(self) -> None:
        """Start the process."""
        self.process = self.clock.process(self.run())

    def halt(self) -> None:
        """End the process, before anything else that happens at this instant."""
        if self.process is not None and self.process.is_alive:
            self.process.defused = True
            self.process.interrupt(HALT)

    def plan_again(self) -> None:
        """Make the process replan what it waits for."""
        if self.process is not self.clock.active_process and self.process.is_alive:
            self.process.interrupt(PLAN_AGAIN)
