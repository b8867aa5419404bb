"""A traced run, and everything that the stories of its carriers draw on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from feedsim.criteria import Criteria
from feedsim.draws.line_draws import CarrierDraw, Draws
from feedsim.machine import FaultKind, Machine
from feedsim.metrics.spread import resolution_mm
from feedsim.motion.master import Master
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace, TraceEvent
from feedsim.running.replay.feed import FeedTravel
from feedsim.running.replay.inserts import InsertSequence
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.right import Solution, right_settings, settled_settings

_NOTHING: tuple[TraceEvent, ...] = ()
_NEAR_S = 1.0
_UNTIL_RESTART = {"line": ("trips", "gives_up"), "fault": (FaultKind.NO_INSERT.value,)}


class StorySource:
    """One run, its trace, and the draws that it came from.

    What is computed for one story serves the next. The machine's settings are solved, the trace has
    every event of the run, and ``names`` has one name per feeder. Raises ValueError if the draws
    are of other carriers, or the trace lacks events.
    """

    def __init__(
        self,
        machine: Machine,
        draws: Draws,
        *,
        records: RunRecords,
        trace: Trace,
        criteria: Criteria,
        names: Sequence[str],
    ) -> None:
        self.machine, self.records, self.trace = machine, records, trace
        self.criteria, self.belt = criteria, trace.belt
        self.scale = machine.encoder.scale  # belt travel per counted travel
        self._events = _by_carrier(trace)
        self.carriers = _carriers(draws, records)
        self.disturbances = tuple(e for e in trace.events if _disturbs(e))
        self.stretches = _stretches_of(self.disturbances, machine)
        if not self._whole():
            msg = "the trace lacks events of the run"
            raise ValueError(msg)
        phases = draws.phases()
        self.master = Master(
            trace.belt,
            machine.encoder,
            controller=machine.controller,
            phase=phases.encoder,
            ticks_phase_s=phases.ticks_s,
        )
        rows = [
            InsertSequence(machine, draws, trace=trace, feeder=number)
            for number in range(len(machine.feeders))
        ]
        self.feeders = tuple(
            FeederSource(self, number, name, row)
            for number, (name, row) in enumerate(zip(names, rows, strict=True))
        )

    def _whole(self) -> bool:
        """Return whether the trace has every carrier that came before the first disturbance."""
        times = self.records.carriers.eye_time_s.tolist()
        begins = self.disturbed_s - _NEAR_S
        return all((k, "carrier_eye") in self._events for k, t in enumerate(times) if t < begins)

    @property
    def disturbed_s(self) -> float:
        """Time of the first stop, change or planned fault (s); ``inf``: none."""
        return min((e.time_s for e in self.disturbances), default=math.inf)

    def disturbance(self, from_s: float, to_s: float) -> Disturbance | None:
        """Return the first disturbance that overlaps a span of time (s)."""
        those = (s for s in self.stretches if s.from_s <= to_s and s.to_s >= from_s)
        return min(those, default=None, key=lambda s: (s.from_s, -s.to_s))

    def gone_on(self, since: Disturbance) -> list[Disturbance]:
        """Return a disturbance, and those that begin before it is over and end later, in turn."""
        found = [since]
        for each in self.stretches:
            if found[-1].from_s <= each.from_s <= found[-1].to_s < each.to_s:
                found.append(each)
        return found

    def disturbance_from(self, time_s: float) -> Disturbance | None:
        """Return the last stop that had begun by a time (s)."""
        those = (s for s in self.stretches if s.event.part == "line" and s.from_s <= time_s)
        return max(those, default=None, key=lambda s: (s.from_s, s.to_s))

    @cached_property
    def resolution_mm(self) -> float:
        """Positions that differ by less than this count as one (mm)."""
        return resolution_mm(self.records)

    @cached_property
    def ends_s(self) -> float:
        """The time of the last event (s)."""
        return max((e.time_s for e in self.trace.events if e.time_s < math.inf), default=0.0)

    @cached_property
    def parts(self) -> list[str]:
        """Names in the trace of the parts that have events."""
        return sorted({part for _, part in self._events})

    def events_of(self, carrier: int, part: str) -> Sequence[TraceEvent]:
        """Return what a part did for a carrier (-1: for none), in order of time."""
        return self._events.get((carrier, part), _NOTHING)

    def events(self, carrier: int, part: str, event: str) -> list[TraceEvent]:
        """Return what a part did for a carrier, events of one name only."""
        return [e for e in self.events_of(carrier, part) if e.event == event]

    def time_of(self, carrier: int, part: str, event: str) -> float | None:
        """Return the time (s) of the first such event of a carrier, if there is one."""
        return next((e.time_s for e in self.events(carrier, part, event)), None)


class FeederSource:
    """One feeder of the run."""

    def __init__(self, run: StorySource, number: int, name: str, inserts: InsertSequence) -> None:
        self.run, self.number, self.name, self.inserts = run, number, name, inserts
        self.machine, self.rows = run.machine.feeders[number], run.records.feeders[number]
        self.per_feed = self.at_line_speed.belt_per_feed

    @cached_property
    def feed(self) -> FeedTravel:
        """Motion of its feed."""
        return FeedTravel(self.run.trace.feeds[self.number], until_s=self.run.ends_s + 1.0)

    @cached_property
    def cycles(self) -> list[int]:
        """Carriers for which the clutch closed, in order."""
        return [int(k) for k in np.flatnonzero(self.rows.insert >= 0)]

    @cached_property
    def _decided(self) -> list[float]:
        """When each carrier was engaged or missed (s)."""
        part = self.part("program")
        times: list[float] = self.rows.engage_time_s.tolist()
        for carrier, t in enumerate(times):
            if math.isnan(t):
                events = self.run.events_of(carrier, part)
                times[carrier] = events[0].time_s if events else -math.inf
        return times

    @cached_property
    def _left_by(self) -> list[float]:
        """For each carrier: when it and all before it were engaged or missed (s)."""
        return list(accumulate(self._decided, max))

    @cached_property
    def at_line_speed(self) -> FeederAtSpeed:
        """The feeder at line speed, for the closed forms."""
        return FeederAtSpeed(self.run.machine, self.machine)

    @cached_property
    def terms(self) -> Solution:
        """Its right settings as sums of terms, ramp and lag taken to end in time."""
        return settled_settings(self.at_line_speed)

    @cached_property
    def right(self) -> Solution:
        """Its right settings at line speed."""
        return right_settings(self.at_line_speed)

    def ramp_end(self, begins_s: float) -> float:
        """Return when a ramp-in that begins at this time ends (s), if nothing cuts it short."""
        clutch, belt = self.machine.clutch, self.run.belt
        if not clutch.travel_ramp:
            return begins_s + clutch.ramp_in
        return belt.time_at(belt.position(begins_s) + clutch.ramp_in * self.run.scale)

    def part(self, name: str) -> str:
        """Return what the trace calls a part of this feeder."""
        return f"feeder.{self.number}.{name}"

    def head_from(self, carrier: int) -> float:
        """Return when all carriers before this one have left the mark memory (s)."""
        return self._left_by[carrier - 1] if carrier else -math.inf

    def decided_at(self, carrier: int) -> float:
        """Return when the clutch closed for a carrier, or it was missed (s)."""
        return self._decided[carrier]

    def entered_memory(self, carrier: int) -> bool:
        """Return whether a carrier's mark entered the mark memory."""
        outcome = self.rows.outcome[carrier]
        if outcome in {Outcome.NOT_SEEN, Outcome.MERGED, Outcome.MARK_MEMORY_FULL}:
            return False
        if outcome != Outcome.LATE_MARK or self.run.machine.controller.late_mark_engages:
            return True
        known = self.run.time_of(carrier, "carrier_eye", "known")
        return known is not None and self.decided_at(carrier) > known

    @cached_property
    def staged(self) -> dict[int, TraceEvent]:
        """The staging event of each insert; none for one staged at the start."""
        part = self.part("clutch")
        events = (e for e in self.run.trace.events if e.part == part and e.event == "staged")
        return {event.insert: event for event in events}

    def cycle_before(self, carrier: int) -> int | None:
        """Return the last carrier that the clutch closed for before this one's turn."""
        place = int(np.searchsorted(self.cycles, carrier))
        return self.cycles[place - 1] if place else None


def _by_carrier(trace: Trace) -> dict[tuple[int, str], list[TraceEvent]]:
    found: dict[tuple[int, str], list[TraceEvent]] = {}
    for event in trace.events:
        found.setdefault((event.carrier, event.part), []).append(event)
    return found


def _carriers(draws: Draws, records: RunRecords) -> list[CarrierDraw]:
    edges = records.carriers.leading_edge_mm
    cards = [CarrierDraw(*card) for _, card in zip(edges, draws.carriers(), strict=False)]
    if [card.leading_edge_mm for card in cards] != edges.tolist():
        msg = "these draws are not those of the run"
        raise ValueError(msg)
    return cards


class Disturbance(NamedTuple):
    """A stretch of time (s), its ends included, and the event that it began with."""

    from_s: float
    to_s: float
    event: TraceEvent


def _disturbs(event: TraceEvent) -> bool:
    """Return whether an event disturbs the line: a stop, an adjustment or a fault."""
    if event.part == "line":
        return event.event != "starts"
    return event.part in {"fault", "operator"} or event.part.endswith(".recovery")


def _stretches_of(disturbances: Sequence[TraceEvent], machine: Machine) -> tuple[Disturbance, ...]:
    """Return the stretches that the settings of the run do not describe.

    A stop lasts from the trip to the restart. A dirty eye lasts for its duration, or until the line
    has been cleared (taken here as until the restart); a singulator that draws nothing, until a
    recovery. An adjustment changes settings for good. The disturbances are in order of time.
    """
    restarts = [e.time_s for e in disturbances if e.part == "line" and e.event == "restarts"]
    planned = () if machine.supervision is None else machine.supervision.faults
    dirty_s = max((f.duration_s for f in planned if f.kind is FaultKind.EYE_DIRTY), default=0.0)

    def ends(event: TraceEvent) -> float:
        again = min((t for t in restarts if t >= event.time_s), default=math.inf)
        if event.part == "operator":
            return math.inf
        if event.event in _UNTIL_RESTART.get(event.part, ()):
            return again
        dirty = event.part == "fault" and event.event == FaultKind.EYE_DIRTY.value
        return min(again, event.time_s + dirty_s) if dirty else event.time_s

    return tuple(Disturbance(event.time_s, ends(event), event) for event in disturbances)
