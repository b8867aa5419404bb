"""The conveyor: owns the belt motion and notifies every part when it changes."""

from __future__ import annotations

from dataclasses import replace

from simpy import Event

from feedsim.draws.line_draws import Phases
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line
from feedsim.motion.feed import FeedMotion
from feedsim.motion.master import Master
from feedsim.simulation.clock import Clock, Order, Part, Steps
from feedsim.simulation.recorder import Tracer


class Conveyor(Part):
    """Belt and encoder.

    ``master``: the belt as the controller reads it, valid until the next change. ``scale_error``:
    ε of the encoder. ``waits``: it has not started yet. ``feeds_staged``: an event for each feeder,
    which happens once its first insert is staged, or it has given up.
    """

    def __init__(
        self, clock: Clock, machine: Machine, *, phases: Phases, tracer: Tracer | None
    ) -> None:
        super().__init__(clock)
        self._machine = machine
        self._phases = phases
        self._tracer = tracer
        self.scale_error = machine.encoder.scale_error
        self.start_time_s = 0.0
        self.waits = machine.start_empty
        self.feeds: list[FeedMotion] = []
        self.parts: list[Part] = []
        self.feeds_staged: list[Event] = []
        self._set(belt_at_rest() if machine.start_empty else belt_of_line(machine.line))

    def _set(self, belt: BeltMotion) -> None:
        self.master = Master(
            belt,
            self._machine.encoder,
            controller=self._machine.controller,
            phase=self._phases.encoder,
            ticks_phase_s=self._phases.ticks_s,
        )
        if self._tracer is not None:
            self._tracer.belt_at = belt.position

    def position(self, t: float) -> float:
        """Return the belt travel (mm) at time ``t`` (s), by the present motion."""
        return self.master.belt.position(t)

    def time_at(self, travel: float) -> float:
        """Return when a belt travel (mm) is first reached (s), by the present motion."""
        return self.master.belt.time_at(travel)

    def change(self, belt: BeltMotion) -> None:
        """Switch to another belt motion that is the same up to now.

        Every feed follows it, and every part replans what it waits for.
        """
        now = self.clock.now
        self._set(belt)
        for feed in self.feeds:
            feed.follow(belt, now)
        for part in self.parts:
            part.plan_again()

    def run(self) -> Steps:
        """Start the belt once every feeder has an insert staged, if it waits for that."""
        if not self._machine.start_empty:
            return
        for staged in self.feeds_staged:
            yield from self.clock.wait(staged)
        yield self.clock.at(self.clock.now, Order.BELT)
        self.begin()

    def begin(self, speed_mm_s: float | None = None) -> None:
        """Start the belt now; a speed replaces line speed and profile."""
        line = self._machine.line
        if speed_mm_s is not None:
            line = replace(line, speed_mm_s=speed_mm_s, profile=())
        self.waits = False
        self.start_time_s = self.clock.now
        self.change(belt_of_line(line, start_s=self.clock.now))
        if self._tracer is not None:
            self._tracer.add(self.clock.now, "line", "starts")
