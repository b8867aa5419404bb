"""The feed servo: follows the clutch's command, and lands inserts on carriers."""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

from simpy import Interrupt

from feedsim.records.outcome import Outcome
from feedsim.simulation.clock import PLAN_AGAIN, Clock, Order, Part, Steps
from feedsim.simulation.feeder_state import FeederState


class Flight(NamedTuple):
    """An insert on its way to its carrier; it lands when the feed reaches ``target_mm``.

    Not before ``since_s``, though: an insert staged past the placement point is on its carrier,
    wherever that is, as soon as the clutch closes.
    """

    since_s: float
    target_mm: float
    carrier: int
    insert: int


class Servo(Part):
    """Waits for the nose of each engaged insert to reach the placement point.

    The motion itself is closed form (:class:`~feedsim.motion.feed.FeedMotion`); whoever
    changes it calls :meth:`motion_changed`.
    """

    def __init__(self, clock: Clock, *, state: FeederState) -> None:
        super().__init__(clock)
        self._state = state
        self._flights: deque[Flight] = deque()
        state.landing_due = self._landing_due

    @property
    def in_flight(self) -> int:
        """Number of inserts engaged and not yet landed."""
        return len(self._flights)

    def _landing_due(self) -> bool:
        return bool(self._flights) and self._state.feed.time_at(self._flights[0].target_mm) < (
            math.inf
        )

    def launch(self, flight: Flight) -> None:
        """Take an insert that the clutch is just engaging."""
        self._flights.append(flight)
        if len(self._flights) > 1:
            self.plan_again()

    def motion_changed(self) -> None:
        """Plan the landing again, if it lies ahead."""
        if self._flights:
            self.plan_again()

    def run(self) -> Steps:
        """Land one insert after another."""
        clock, order = self.clock, Order.LANDING.of(self._state.number)
        feed, flights = self._state.feed, self._flights
        while True:
            if not flights:
                yield from clock.wait(self._state.engaged)
            t = max(feed.time_at(flights[0].target_mm), flights[0].since_s)
            try:
                yield clock.at(t, order)
            except Interrupt as call:
                if call.cause is not PLAN_AGAIN:
                    raise
                continue
            self.land(t)

    def land(self, t: float) -> None:
        """Land the first insert in flight at time ``t`` (s)."""
        state = self._state
        _, _, carrier, insert = self._flights.popleft()
        rows = state.columns
        rows.placement_time_s[carrier] = t
        rows.nose_speed_mm_s[carrier] = state.feed.speed(t)
        rows.outcome[carrier] = Outcome.PLACED
        rows.placed += 1
        if state.tracer is not None:
            state.trace(t, "servo", "lands", carrier=carrier, insert=insert)
        if not state.undecided:
            state.check_finished()
