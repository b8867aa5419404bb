"""A watch on an output that stays on, or off, for too long a travel."""

from __future__ import annotations

import math
from collections.abc import Callable

from feedsim.machine import SAME_TRAVEL_MM
from feedsim.simulation.clock import Clock, Part, Steps


class BlockedWatch(Part):
    """Trips when an output has been on, without a break, over a travel limit.

    ``position``, ``time_at``: travel (mm) at a time (s), and the first time at which a travel is
    reached. ``output_on``: whether the output is on at a time (s). ``trip`` is called when it was
    on for too long, in ``order`` at equal times. ``from_rest``: measure also from the start of the
    line and from each restart, not only from a switching: to watch for an output that never
    switches on.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        limit_mm: float,
        position: Callable[[float], float],
        time_at: Callable[[float], float],
        output_on: Callable[[float], bool],
        trip: Callable[[], None],
        order: int,
        from_rest: bool = False,
    ) -> None:
        super().__init__(clock)
        self._limit_mm = limit_mm
        self._position = position
        self._time_at = time_at
        self._output_on = output_on
        self._trip = trip
        self._order = order
        self._from_rest = from_rest
        self._since_mm = 0.0 if from_rest else math.inf

    def switched_on(self, t: float) -> None:
        """Start measuring at time ``t`` (s)."""
        self._since_mm = self._position(t)
        self.plan_again()

    def reset(self) -> None:
        """Measure nothing until the output switches on again."""
        self._since_mm = math.inf
        self.plan_again()

    def restarted(self, t: float) -> None:
        """Go on as the line restarts at time ``t`` (s)."""
        if self._from_rest:
            self.switched_on(t)

    def _due(self) -> float:
        return self._time_at(self._since_mm + self._limit_mm) if self._measures else math.inf

    @property
    def _measures(self) -> bool:
        return self._since_mm < math.inf

    def run(self) -> Steps:
        """Wait for each limit."""
        while True:
            t = yield from self.clock.until(self._due, self._order)
            if self._position(t) < self._since_mm + self._limit_mm - SAME_TRAVEL_MM:
                continue  # the motion has changed meanwhile
            self._since_mm = math.inf
            if self._output_on(t):
                self._trip()
