"""The conveyor: owns the belt motion and tells everyone when it changes."""

from __future__ import annotations

from simpy import Event

from feedsim.draws.cards import Phases
from feedsim.machine import Machine
from feedsim.motion.belt import BeltMotion, belt_at_rest, belt_of_line
from feedsim.motion.feed import FeedMotion
from feedsim.motion.master import Master
from feedsim.simulation.clock import Clock, Order, Part, Steps
from feedsim.simulation.recorder import Tracer

__all__ = ["Conveyor"]


class Conveyor(Part):
    """Belt and encoder.

    Parameters
    ----------
    clock : Clock
    machine : Machine
    phases : Phases
    tracer : Tracer, optional

    Attributes
    ----------
    master : Master
        The belt as the controller reads it, valid until the next change.
    scale_error : float
        ε of the encoder.
    fastest_mm_s : float
        The belt is never faster.
    start_time_s : float
        When the belt started.
    feeds_staged : list of Event
        One for each feeder: it has its first insert staged, or has given up.
    """

    def __init__(
        self, clock: Clock, machine: Machine, *, phases: Phases, tracer: Tracer | None
    ) -> None:
        super().__init__(clock)
        self._machine = machine
        self._phases = phases
        self._tracer = tracer
        self.scale_error = machine.encoder.scale_error
        line = machine.line
        self.fastest_mm_s = max([line.speed_mm_s, *(v for _, v in line.profile)])
        self.start_time_s = 0.0
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

    def change(self, belt: BeltMotion) -> None:
        """Go on along another belt motion, the same up to now, from now on.

        Every feed follows it, and every part plans anew what it waits for.
        """
        now = self.clock.now
        self._set(belt)
        for feed in self.feeds:
            feed.follow(belt, now)
        for part in self.parts:
            part.plan_again()

    def run(self) -> Steps:
        """Start the belt once every feeder has an insert staged, if it is to wait."""
        if not self._machine.start_empty:
            return
        for staged in self.feeds_staged:
            yield from self.clock.wait(staged)
        yield self.clock.at(self.clock.now, Order.BELT)
        self.start_time_s = self.clock.now
        self.change(belt_of_line(self._machine.line, start_s=self.clock.now))
        if self._tracer is not None:
            self._tracer.add(self.clock.now, "line", "starts")
