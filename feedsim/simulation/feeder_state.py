"""What the parts of one feeder share: its numbers, its feed motion, its rows, its end."""

from __future__ import annotations

import math
from collections.abc import Callable

from feedsim.machine import Controller, Feeder
from feedsim.motion.feed import FeedMotion
from feedsim.records.outcome import Outcome
from feedsim.simulation.clock import Clock
from feedsim.simulation.recorder import Columns, Tracer


class FeederState:
    """One feeder in a run, numbered from 0 along the line, as in the scenario.

    ``undecided``: carriers that are neither missed nor engaged yet. ``engaged`` happens when the
    clutch closes next. ``on_change`` is called when the feeder is ready, or has given up,
    ``on_finished`` once, when every carrier is decided and nothing moves any more. The clutch
    provides ``at_rest``, the servo ``landing_due`` (false if no insert will land without another
    cycle).
    """

    def __init__(
        self,
        number: int,
        machine: Feeder,
        *,
        clock: Clock,
        controller: Controller,
        feed: FeedMotion,
        columns: Columns,
        undecided: int,
        tracer: Tracer | None,
    ) -> None:
        self._clock = clock
        self.number = number
        self.machine = machine
        self.controller = controller
        self.feed = feed
        self.columns = columns
        self.tracer = tracer
        self.undecided = undecided
        self.engaged = clock.event()
        self.on_change: Callable[[], None] = _nothing
        self.on_finished: Callable[[], None] = _nothing
        self.at_rest: Callable[[], bool] = lambda: False
        self.landing_due: Callable[[], bool] = lambda: False
        self._prefix = f"feeder.{number}."
        self._finished = False

    def tell_engaged(self) -> None:
        """Wake all that wait for the clutch to close."""
        event, self.engaged = self.engaged, self._clock.event()
        event.succeed()

    def miss(self, carrier: int, outcome: Outcome) -> None:
        """Note that a carrier goes by without an insert."""
        self.columns.outcome[carrier] = outcome
        self.undecided -= 1
        if not self.undecided:
            self.check_finished()

    def check_finished(self) -> None:
        """Notify the line, once, when this feeder has nothing left to do."""
        if not self.undecided and not self._finished and self.at_rest() and not self.landing_due():
            self._finished = True
            self.on_finished()

    def trace(
        self,
        t: float,
        part: str,
        event: str,
        *,
        carrier: int = -1,
        insert: int = -1,
        always: bool = False,
    ) -> None:
        """Note an event of this feeder; call it only with a tracer."""
        if self.tracer is not None:
            self.tracer.add(
                t,
                self._prefix + part,
                event,
                carrier=carrier,
                insert=insert,
                always=always,
                feed_mm=self.feed.position(max(t, 0.0)) if t < math.inf else math.nan,
            )


def _nothing() -> None:
    return None
