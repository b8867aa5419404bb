"""One feeder of a line, as it is checked before it runs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from feedsim.answers.check.study.facts import off_words
from feedsim.machine import Feeder, Machine
from feedsim.quantities import Kind, System, display
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.feeder_at_speed import FeederAtSpeed

SIGMAS = 4.0
"""Nearer to a limit than so many standard deviations is worth a word."""


@dataclass(frozen=True)
class CheckedFeeder:
    """One feeder of a line as it is checked: everything a warning may need."""

    scenario: Scenario
    machine: Machine
    number: int
    units: System

    @property
    def feeder(self) -> Feeder:
        """The feeder."""
        return self.machine.feeders[self.number]

    @property
    def speed(self) -> float:
        """The highest speed that the line reaches (mm/s)."""
        line = self.machine.line
        return max([v for _, v in line.profile]) if line.profile else line.speed_mm_s

    @cached_property
    def here(self) -> FeederAtSpeed:
        """The feeder at that speed, its settings solved for the line's."""
        return FeederAtSpeed(self.machine, self.feeder, self.speed)

    @cached_property
    def steadily(self) -> FeederAtSpeed:
        """The same on a line that always runs at that speed: what shares and margins are of."""
        return self.here.on_line_at(self.speed)

    def off(self, error_mm: float) -> str:
        """Write a mean error: ``0.2 mm late``, or ``early``, or ``on target``."""
        return off_words(error_mm, units=self.units)

    def say(self, value: float, kind: Kind = "length", *, digits: int = 3) -> str:
        """Write a value with its unit."""
        return display(value, kind, units=self.units, digits=digits)

    @property
    def at_speed(self) -> str:
        """``at 60 m/min``."""
        return f"at {self.say(self.speed, 'speed')}"


def checked_feeders(scenario: Scenario, units: System) -> list[CheckedFeeder]:
    """Return each feeder of a line; what is found of one is kept with it."""
    machine = machine_of(scenario)
    return [CheckedFeeder(scenario, machine, n, units) for n in range(len(machine.feeders))]
