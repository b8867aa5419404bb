"""What part of a traced run a timing diagram looks at."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from feedsim.answers.run.timing.feed_window import FeedWindow
from feedsim.machine import Feeder, Machine
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.trace import Trace

_MOST_PERIODS = 8.0
_LONG_S = 10.0


@dataclass(frozen=True, slots=True)
class TimingView:
    """One feeder and one carrier of a traced run, over a window of time.

    Attributes
    ----------
    feeder, carrier : int
        From 0, the warm-up counted.
    from_s, to_s : float
        The window.
    feed : FeedWindow
        Motion of this feeder.
    """

    machine: Machine
    records: RunRecords
    trace: Trace
    feeder: int
    carrier: int
    from_s: float
    to_s: float
    feed: FeedWindow

    @property
    def machine_feeder(self) -> Feeder:
        """The feeder itself."""
        return self.machine.feeders[self.feeder]

    @property
    def rows(self) -> FeederRecords:
        """What the feeder did."""
        return self.records.feeders[self.feeder]

    @property
    def zero_s(self) -> float:
        """When the chosen carrier passed the carrier eye: zero of the diagram's time."""
        return float(self.records.carriers.eye_time_s[self.carrier])

    def part(self, name: str) -> str:
        """Return what the trace calls a part of this feeder."""
        return f"feeder.{self.feeder}.{name}"


def view_of(
    machine: Machine, records: RunRecords, trace: Trace, *, feeder: int, carrier: int
) -> TimingView:
    """Choose the window: from before the carrier eye to after the feeder is ready again.

    It is no longer than eight times the time between carriers; its beginning is left out
    where that is not enough.
    """
    from_s, to_s = _window(machine, records, trace, feeder=feeder, carrier=carrier)
    feed = FeedWindow(trace.feeds[feeder], from_s=from_s, to_s=to_s)
    return TimingView(machine, records, trace, feeder, carrier, from_s, to_s, feed)


def _window(
    machine: Machine, records: RunRecords, trace: Trace, *, feeder: int, carrier: int
) -> tuple[float, float]:
    eye, rows = records.carriers.eye_time_s, records.feeders[feeder]
    passes, near = float(eye[carrier]), eye[max(0, carrier - 3) : carrier + 4]
    period = machine.carriers.pitch_mm / machine.line.speed_mm_s
    if len(near) > 1:
        period = float(near[-1] - near[0]) / (len(near) - 1)
        if records.stops:  # of the line as it runs
            period = min(period, float(np.median(np.diff(near))))
    machine_feeder = machine.feeders[feeder]
    way = machine_feeder.eye_to_placement_mm + machine_feeder.settings.target_offset_mm
    ends = (
        rows.ready_time_s[carrier],
        rows.placement_time_s[carrier],
        rows.opening_time_s[carrier],
        trace.belt.time_at(float(records.carriers.leading_edge_mm[carrier]) + way),
    )
    end = max(float(t) for t in ends if math.isfinite(t)) + 0.35 * period
    return max(0.0, passes - 0.35 * period, end - _MOST_PERIODS * period), end


def taken_out_s(view: TimingView, insert: int, since_s: float) -> float:
    """Return when an insert at its eye since an instant was taken out by hand; inf: never.

    A clearing of the line takes all that are neither placed nor kept for later.
    """
    rows, part = view.rows, view.part("insert_eye")
    row = np.flatnonzero(rows.insert == insert)
    closes, lands = (
        (rows.engage_time_s[row[0]], rows.placement_time_s[row[0]]) if len(row) else (0.0, math.inf)
    )
    for time_s, where, event, _, number, *_ in view.trace.events:
        if (where, event, number) == (part, "rejected", insert):
            return time_s
        cleared = (where, event) == ("line", "cleared") and time_s >= since_s
        if cleared and closes <= time_s and not lands <= time_s:
            return time_s
    return math.inf


def carriers_around(machine: Machine, carrier: int) -> range:
    """Return whose events a trace must hold for the timing figure of one carrier.

    All that come by while an insert waits for this one, with some to either side; for
    ``around`` of :func:`feedsim.simulation.line.simulate_traced`.
    """
    longest = max(feeder.eye_to_placement_mm for feeder in machine.feeders)
    nearest = machine.carriers.arrival.shortest_mm
    room = math.ceil((longest + 2.0 * machine.carriers.pitch_mm) / nearest) + 2
    return range(max(0, carrier - room), carrier + room + 1)


@dataclass(frozen=True, slots=True)
class Scale:
    """From seconds and mm to what the axes say: ms or s since an instant, and a unit of length.

    Attributes
    ----------
    zero_s : float
        The instant.
    factor : float
        Units of length per mm.
    unit : str
        Label of that unit.
    window : tuple of float
        From and to (s).
    chosen : int
        Number of the carrier that the diagram is about.
    width_in : float
        Width of the lanes on paper (inches).
    """

    zero_s: float
    factor: float
    unit: str
    window: tuple[float, float]
    chosen: int
    width_in: float

    @property
    def time_unit(self) -> str:
        """Label of the unit of time: ms, or s where the window is long."""
        return "ms" if self.window[1] - self.window[0] < _LONG_S else "s"

    def times(self, times_s: Iterable[float]) -> list[float]:
        """Return times from the zero of the diagram, in its unit."""
        factor = 1e3 if self.time_unit == "ms" else 1.0
        return [(t - self.zero_s) * factor for t in times_s]

    def instant(self, time: float) -> str:
        """Write a time of :meth:`times` with its unit."""
        long = self.window[1] - self.window[0] > _LONG_S * 10.0
        digits = 1 if self.time_unit == "ms" or long else 3
        return f"{time:.{digits}f} {self.time_unit}".replace("-", "\u2212")

    def lengths(self, values_mm: Iterable[float]) -> list[float]:
        """Return lengths (or speeds) in the unit of display."""
        return [value * self.factor for value in values_mm]

    def inches(self, duration_s: float) -> float:
        """Return how wide a duration is on paper."""
        return self.width_in * duration_s / (self.window[1] - self.window[0])
