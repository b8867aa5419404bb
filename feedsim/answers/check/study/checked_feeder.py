"""One feeder of a line as checked before a run, and the geometry of line and feeder in words."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from feedsim.arrivals import Recorded
from feedsim.machine import Feeder, Machine
from feedsim.metrics.percent import percent_of_all
from feedsim.quantities import Kind, System, display, whole
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import cycle_time
from feedsim.settings.sources import placement_sources, placement_spread

SIGMAS = 4.0
"""Fewer standard deviations than this from a limit draw a warning."""
_NOTHING_MM = 0.0005
_ARRIVING = {
    "paced": "paced",
    "random": "hand fed, at random",
    "recorded": "as recorded, on average",
}


@dataclass(frozen=True)
class CheckedFeeder:
    """One feeder of a line: everything a warning may need."""

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
        return self.scenario.line.highest_speed

    @cached_property
    def here(self) -> FeederAtSpeed:
        """The feeder at that speed, its settings solved for the line's."""
        return FeederAtSpeed(self.machine, self.feeder, self.speed)

    @cached_property
    def steadily(self) -> FeederAtSpeed:
        """The same on a line that always runs at that speed; shares and margins are for it."""
        return self.here.on_line_at(self.speed)

    def off(self, error_mm: float) -> str:
        """Write a mean error: ``0.2 mm late``, or ``early``, or ``on target``."""
        return _off_words(error_mm, units=self.units)

    def say(self, value: float, kind: Kind = "length", *, digits: int = 3) -> str:
        """Write a value with its unit."""
        return display(value, kind, units=self.units, digits=digits)

    @property
    def at_speed(self) -> str:
        """``at 60 m/min``."""
        return f"at {self.say(self.speed, 'speed')}"


def checked_feeders(scenario: Scenario, units: System) -> list[CheckedFeeder]:
    """Return each feeder of a line; its results are kept with it."""
    machine = machine_of(scenario)
    return [CheckedFeeder(scenario, machine, n, units) for n in range(len(machine.feeders))]


def line_words(machine: Machine, *, units: System = "metric") -> list[str]:
    """Say what the line does, in sentences."""

    def mm(value: float) -> str:
        return display(value, "length", units=units)

    c, v = machine.carriers, machine.line.speed_mm_s
    words = [
        f"The line runs at {display(v, 'speed', units=units)}; carriers {mm(c.length_mm)} long "
        f"come {mm(c.pitch_mm)} from leading edge to leading edge ({_ARRIVING[c.arrival.name]}), "
        f"one every {display(c.pitch_mm / v, 'time', units=units)}, "
        f"{whole(3600.0 * v / c.pitch_mm)} per hour.",
        f"Between two carriers {mm(c.pitch_mm - c.length_mm)} are free on average.",
    ]
    if isinstance(c.arrival, Recorded):
        words.append(_record_words(c.arrival, units=units))
    q = machine.encoder.count_mm
    if q > 0.0:
        words.append(
            f"One encoder count is {mm(q)} of belt travel, "
            f"{whole(v / machine.encoder.scale / q)} counts per second."
        )
    else:
        words.append("The master is virtual: no counts, no scale error.")
    if machine.line.profile:
        last = machine.line.profile[-1]
        words.append(
            f"Its speed follows a profile of {len(machine.line.profile)} points and holds "
            f"{display(last[1], 'speed', units=units)} from {display(last[0], 'time')} on."
        )
    if machine.start_empty:
        words.append("It starts once every feeder has jogged its first insert to the stage.")
    return words


def _largest_source(at: FeederAtSpeed) -> str:
    """Name the largest cause of variance, its sources taken together."""
    parts: dict[str, float] = {}
    for source in placement_sources(at):
        parts[source.cause] = parts.get(source.cause, 0.0) + source.contribution_mm**2
    late = placement_spread(at).sd ** 2 - sum(parts.values())
    if late > _NOTHING_MM**2:
        parts["late openings"] = late
    if not any(parts.values()):
        return ""
    cause = max(parts, key=lambda name: parts[name])
    share = percent_of_all(parts[cause] / sum(parts.values()))
    return f", {share} of its variance from {cause}"


def _off_words(error_mm: float, *, units: System) -> str:
    """Say by how much inserts land off the target, and to which side: ``0.2 mm late``."""
    if abs(error_mm) < _NOTHING_MM:
        return "on target"
    side = "late" if error_mm > 0.0 else "early"
    shown = round(abs(error_mm), 3)
    return f"{display(shown, 'length', units=units, digits=3)} {side}"


def _record_words(law: Recorded, *, units: System) -> str:
    """Say what the record of carriers holds, and what happens at its end."""
    record = law.record_mm
    values = (law.pitch_mm, law.pitch_sd_mm, min(record), max(record))
    mean, sd, shortest, longest = (display(x, "length", units=units) for x in values)
    count = f"{len(record)} pitches" if len(record) > 1 else "one pitch"
    after = "Then the run ends."
    if law.repeats:
        after = "Then it begins again: figures and their intervals describe this record alone."
    return (
        f"The record has {count}: mean {mean}, standard deviation {sd}, the shortest {shortest}, "
        f"the longest {longest}. {after}"
    )


def feeder_words(machine: Machine, feeder: Feeder, *, units: System) -> list[str]:
    """Say where everything is at one feeder, in sentences."""

    def mm(value: float) -> str:
        return display(value, "length", units=units)

    s, ins, at = feeder.settings, feeder.inserts, FeederAtSpeed(machine, feeder)
    tail = s.stage_position_mm - ins.length_mm
    to_limit = feeder.nose_limit_mm - s.stage_position_mm
    covers = "still covering it" if tail < 0.0 else "clear of it"
    cycle, every = cycle_time(at), machine.carriers.pitch_mm / at.speed_mm_s
    error = placement_spread(at)
    return [
        f"The placement point is {mm(feeder.eye_to_placement_mm)} down the line from the carrier "
        f"eye, and {mm(feeder.insert_eye_to_placement_mm)} from the insert eye.",
        f"A staged insert is to rest with its nose {mm(s.stage_position_mm)} past the insert eye "
        f"(its tail {mm(abs(tail))} {'before' if tail < 0.0 else 'past'} the eye, {covers}), "
        f"{mm(abs(to_limit))} {'short of' if to_limit >= 0.0 else 'beyond'} the nose limit.",
        f"It has {mm(feeder.run_up_mm)} of run-up, and lands {mm(s.target_offset_mm)} behind the "
        f"carrier's leading edge.",
        f"The clutch closes {mm(at.engage_travel_mm)} of belt travel after a mark at line speed, "
        f"and a cycle takes {display(cycle, 'time')} of the {display(every, 'time')} between "
        f"carriers ({percent_of_all(cycle / every)}).",
        f"Expected placement at line speed: {_off_words(error.average, units=units)} on average, "
        f"standard deviation {mm(error.sd)}{_largest_source(at)}.",
    ]
