"""The part of a traced run in a timing diagram."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.machine import Feeder, Machine
from feedsim.motion.feed import FeedMotion, engagement_on
from feedsim.motion.feed_piece import FeedPiece
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.trace import Trace
from feedsim.running.replay.feed import FeedTravel

_MOST_PERIODS = 8.0
_LONG_S = 10.0
_STEPS = 600


@dataclass(frozen=True, slots=True)
class TimingView:
    """One feeder and one carrier (from 0, the warm-up counted) of a traced run, for some time."""

    machine: Machine
    records: RunRecords
    trace: Trace
    feeder: int
    carrier: int
    from_s: float
    to_s: float
    feed: _FeedWindow

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

    At most eight times the time between carriers; its beginning is cut off if that is too short.
    """
    from_s, to_s = _window(machine, records, trace, feeder=feeder, carrier=carrier)
    feed = _FeedWindow(trace.feeds[feeder], from_s=from_s, to_s=to_s)
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
    way = machine_feeder.to_target_mm
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

    Clearing the line takes out all inserts that are neither placed nor kept for later.
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
    """Return the carriers whose events the timing figure of one carrier needs.

    All that pass while an insert waits for this one, with some on either side; for
    ``around`` of :func:`feedsim.simulation.line.simulate_traced`.
    """
    longest = max(feeder.eye_to_placement_mm for feeder in machine.feeders)
    nearest = machine.carriers.arrival.shortest_mm
    room = math.ceil((longest + 2.0 * machine.carriers.pitch_mm) / nearest) + 2
    return range(max(0, carrier - room), carrier + room + 1)


@dataclass(frozen=True, slots=True)
class AxisUnits:
    """Conversion from seconds and mm to the axes: ms or s since an instant, and a unit of length.

    ``zero_s``: the instant; ``window``: from and to (s); ``factor``: units of length per mm.
    ``chosen``: the carrier that the diagram is about; ``width_in``: width of the lanes on paper.
    """

    zero_s: float
    factor: float
    unit: str
    window: tuple[float, float]
    chosen: int
    width_in: float

    @property
    def time_unit(self) -> str:
        """Label of the unit of time: ms, or s for a long window."""
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
        """Return the width of a duration on paper."""
        return self.width_in * duration_s / (self.window[1] - self.window[0])


class Curve(NamedTuple):
    """Points of a line in a diagram: times (s) and values, of equal length."""

    times_s: list[float]
    values: list[float]


class _FeedWindow(FeedTravel):
    """Position, speed and engagement of a traced feed as curves between two times."""

    def __init__(self, feed: FeedMotion, *, from_s: float, to_s: float) -> None:
        super().__init__(feed, until_s=to_s)
        self._feed = feed
        self.from_s, self.to_s = from_s, to_s

    def positions(self, *, from_s: float, to_s: float, zero_mm: float) -> Curve:
        """Return the curve of feed travel − ``zero_mm`` (mm) within the window."""
        from_s, to_s = max(from_s, self.from_s), min(to_s, self.to_s)
        if from_s >= to_s:
            return Curve([], [])
        return self._sampled(lambda piece, t: piece.position(t) - zero_mm, from_s=from_s, to_s=to_s)

    def speeds(self) -> Curve:
        """Return the feed's speed (mm/s); a step of speed is an upright line."""
        return self._sampled(lambda piece, t: piece.speed(t), from_s=self.from_s, to_s=self.to_s)

    def engagement(self) -> Curve:
        """Return the clutch's engagement, 0 to 1."""
        curve = Curve([], [])
        for piece, start, end in self._stretches(self.from_s, self.to_s):
            bent = piece.slope and piece.in_travel  # by the belt's acceleration
            for i in range(9) if bent else (0, 8):
                t = start + (end - start) * i / 8
                curve.times_s.append(t)
                curve.values.append(engagement_on(self._feed, piece, t=t))
        return curve

    def _stretches(self, from_s: float, to_s: float) -> list[tuple[FeedPiece, float, float]]:
        """Return the pieces of a part of the window, each with its start and end there."""
        cut = (
            (piece, max(from_s, piece.start_s), min(to_s, end))
            for piece, end in self.pieces(from_s, to_s)
        )
        return [(piece, start, end) for piece, start, end in cut if end > start]

    def _sampled(
        self, value: Callable[[FeedPiece, float], float], *, from_s: float, to_s: float
    ) -> Curve:
        step = (self.to_s - self.from_s) / _STEPS
        curve = Curve([], [])
        for piece, start, end in self._stretches(from_s, to_s):
            n = max(1, math.ceil((end - start) / step))
            times = [start + (end - start) * i / n for i in range(n)] + [end]
            curve.times_s.extend(times)
            curve.values.extend(value(piece, t) for t in times)
        return curve
