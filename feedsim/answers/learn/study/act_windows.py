"""When a logged line's program would act: windows of time, by the engine's own points and motion.

The program turns an eye's logged output into marks, each with the interval of its capture. Whatever
a log leaves unknown stays an interval: an edge lies between two samples, the encoder between two
counts, the phases of scan and motion tick anywhere. So an act that these settings ask for certainly
lies within its window, and one outside has another cause.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from feedsim.logs.belt import LoggedBelt
from feedsim.logs.log import OnOffSignal
from feedsim.machine import Controller, Encoder, Eye, Feeder, Machine
from feedsim.motion.capture import eye_delay
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.motion.feed_piece import piece_position
from feedsim.motion.master import Master
from feedsim.motion.staged import ready_at, stage_correction

_SURE_S = 2e-6
"""Allowance for rounding of written times and of floats."""


class OnTime(NamedTuple):
    """When an output came on and went off, as intervals (s; ``inf``: not logged), and the rows."""

    on_low_s: float
    on_high_s: float
    row: int
    off_low_s: float
    off_high_s: float
    off_row: int


class Edge(NamedTuple):
    """A mark, or an insert's edge, as the program sees it; intervals in s of the stretch.

    ``low_s``, ``high_s``: when its travel is captured. ``known_low_s``, ``known_high_s``: when the
    program knows of it. ``sure``: it is certainly seen; else filter or scan may have hidden it.
    """

    low_s: float
    high_s: float
    known_low_s: float
    known_high_s: float
    sure: bool
    row: int
    on_time: OnTime


def on_times(level: OnOffSignal, begin_s: float, end_s: float) -> list[OnTime]:
    """Return when an output came on within a stretch, and went off, in seconds of the stretch."""
    times = []
    ons = np.flatnonzero((level.on_s >= begin_s) & (level.on_s <= end_s))
    for i in ons:
        on, within = float(level.on_s[i]) - begin_s, float(level.on_within_s[i])
        later = int(np.searchsorted(level.off_s, level.on_s[i]))
        off, wide, off_row = math.inf, 0.0, 0
        if later < len(level.off_s) and level.off_s[later] <= end_s:
            off, wide = float(level.off_s[later]) - begin_s, float(level.off_within_s[later])
            off_row = int(level.off_row[later])
        row = int(level.on_row[i])
        times.append(OnTime(on - within, on + within, row, off - wide, off + wide, off_row))
    return times


def edges_of(times: list[OnTime], eye: Eye, controller: Controller) -> list[Edge]:
    """Return what a program makes of an output (model, section 4).

    The scan's phase is unknown, so whatever a scan may show or hide is not sure.
    """
    scan, filter_s = controller.scan_s, eye.filter_s
    must = max(filter_s, scan if eye.polled else 0.0)
    found: list[Edge] = []
    off_low, off_high = -math.inf, -math.inf
    for time in times:
        longest, shortest = time.off_high_s - time.on_low_s, time.off_low_s - time.on_high_s
        gap_most, gap_least = time.on_high_s - off_low, time.on_low_s - off_high
        off_low, off_high = time.off_low_s, time.off_high_s
        if longest < filter_s or gap_most < filter_s:
            continue
        sure = shortest > must and gap_least > must
        low, high = time.on_low_s + filter_s, time.on_high_s + filter_s
        known_high = high + scan
        capture_high = known_high if eye.scanned else high
        found.append(Edge(low, capture_high, low, known_high, sure, time.row, time))
    return found


class Window(NamedTuple):
    """When a point is reached, as an interval, and when its act is due (s of the stretch)."""

    point_low_s: float
    point_high_s: float
    low_s: float
    high_s: float

    @property
    def middle_s(self) -> float:
        """The middle of when the act is due."""
        return 0.5 * (self.low_s + self.high_s)


class Points:
    """Computes with the engine's master, over the logged belt, when points are reached."""

    def __init__(self, belt: LoggedBelt, machine: Machine) -> None:
        self.controller = controller = machine.controller
        self.cycle_s, self.scan_s = controller.motion_cycle_s, controller.scan_s
        at_once = replace(controller, scan_s=0.0, motion_cycle_s=0.0)
        self.master = Master(belt.belt, Encoder(), controller=at_once, phase=0.0, ticks_phase_s=0.0)
        count = machine.encoder.count_mm
        self.unit_mm = count or 1.0
        # a truncated reading, a point rounded to counts, and the belt between logged counts
        self._early_mm = 1.5 * count + belt.within_mm
        self._late_mm = 0.5 * count + belt.within_mm

    def window(self, edge: Edge, distance_mm: float, lead_s: float, *, slack_mm: float) -> Window:
        """Return when an act is due, a distance less lead times speed after an edge.

        ``slack_mm``: extra uncertainty of the distance.
        """
        low = self._reached(edge.low_s, distance_mm - self._early_mm - slack_mm, lead_s)
        high = self._reached(edge.high_s, distance_mm + self._late_mm + slack_mm, lead_s)
        low, high = low - _SURE_S, high + _SURE_S
        return Window(
            low, high, max(low, edge.known_low_s), max(high, edge.known_high_s) + self.cycle_s
        )

    def _reached(self, edge_s: float, distance_mm: float, lead_s: float) -> float:
        """Return when a point is reached (s), also one that lies before its edge."""
        edge_s = max(edge_s, 0.0)
        master = self.master
        reading = master.belt.position(edge_s)
        speed = master.speed.at(edge_s)
        ahead = distance_mm - lead_s * speed
        if ahead <= 0.0:
            return edge_s + (ahead / speed if speed > 0.0 else 0.0)
        return master.first_action(reading, distance_mm, lead=lead_s, not_before=edge_s)

    def speed_mm_s(self, t: float) -> float:
        """Return the belt's speed (mm/s)."""
        return self.master.belt.speed(max(t, 0.0))

    def travel_mm(self, from_s: float, to_s: float) -> float:
        """Return the belt's travel between two times (mm)."""
        belt = self.master.belt
        return belt.position(max(to_s, 0.0)) - belt.position(max(from_s, 0.0))

    def length_mm(self, time: OnTime) -> float:
        """Return the least length of what held an eye's output on; NaN if it is still on."""
        if time.off_high_s == math.inf:
            return math.nan
        return self.travel_mm(time.on_high_s, time.off_low_s)


class Cycle(NamedTuple):
    """A logged feed cycle: closing and opening as intervals (s of the stretch), and their rows.

    An opening that was not logged is ``inf``.
    """

    close_low_s: float
    close_high_s: float
    close_row: int
    open_low_s: float
    open_high_s: float
    open_row: int

    @property
    def close_s(self) -> float:
        """The middle of its closing."""
        return 0.5 * (self.close_low_s + self.close_high_s)

    @property
    def open_s(self) -> float:
        """The middle of its opening."""
        return 0.5 * (self.open_low_s + self.open_high_s)


class LoggedFeed:
    """The modelled motion of the feed for the logged acts: when it is ready, where it is."""

    def __init__(self, belt: LoggedBelt, feeder: Feeder, cycles: list[Cycle]) -> None:
        self._feeder, self._cycles, clutch = feeder, cycles, feeder.clutch
        self._delay_s = feeder.servo.command_delay_s
        ramp_in = Ramp(clutch.ramp_in, clutch.travel_ramp)
        ramp_out = Ramp(clutch.ramp_out, clutch.travel_ramp)
        ratio = feeder.settings.speed_ratio
        self.feed = FeedMotion(belt.belt, scale_error=0.0, ratio=ratio, servo=feeder.servo)
        self.ready: list[tuple[float, float]] = []
        self.rest_mm: list[float] = []
        for cycle in cycles:
            self.feed.engage(max(cycle.close_s, 0.0) + self._delay_s, ramp_in)
            if cycle.open_s == math.inf:
                self.ready.append((math.inf, math.inf))
                self.rest_mm.append(math.nan)
                break
            opens = cycle.open_s + self._delay_s
            self.feed.open(opens, ramp_out)
            rest, rest_mm = self.feed.rest()
            ready = ready_at(rest, opens, settle_s=clutch.settle_s)
            wide = 0.5 * (cycle.open_high_s - cycle.open_low_s)
            wide += 0.5 * (cycle.close_high_s - cycle.close_low_s) + _SURE_S
            self.ready.append((ready - wide, ready + wide))
            self.rest_mm.append(rest_mm)
        self._starts = [piece.start_s for piece in self.feed.pieces]

    def position(self, t: float) -> float:
        """Return where the feed is (mm)."""
        i = bisect_right(self._starts, t) - 1
        if not 0 <= i < len(self._starts) - 1:
            return self.feed.position(max(t, 0.0))
        return piece_position(self.feed.pieces[i], t)

    def correction_mm(self, number: int, edge: Edge, points: Points) -> tuple[float, float]:
        """Return what stage correction adds to the next engage distance, ± its uncertainty.

        Both in mm of belt travel, after cycle ``number`` with its captured edge (model, section 8).
        """
        settings, eye = self._feeder.settings, self._feeder.eye
        speed = settings.speed_ratio * points.speed_mm_s(edge.known_high_s)
        corrected = stage_correction(
            self.rest_mm[number] - self.position(0.5 * (edge.low_s + edge.high_s)),
            speed,
            delay_s=eye_delay(eye, points.controller),
            stage_mm=settings.stage_position_mm,
            ratio=settings.speed_ratio,
        )
        cycle = self._cycles[number]
        open_s = edge.high_s - edge.low_s + cycle.open_high_s - cycle.open_low_s
        open_mm = 0.5 * speed * open_s / settings.speed_ratio
        return corrected, open_mm

    def length_mm(self, time: OnTime) -> float:
        """Return the length of what held an eye's output on; NaN if it is still on."""
        if time.off_high_s == math.inf:
            return math.nan
        on, off = 0.5 * (time.on_low_s + time.on_high_s), 0.5 * (time.off_low_s + time.off_high_s)
        return self.position(off) - self.position(on)


@dataclass(frozen=True, slots=True)
class LogStretch:
    """One feeder over one stretch of its log.

    ``disturbed``: spans that are not judged (s of the stretch): around where the belt stood.
    ``begin_s``, ``length_s``: on the log's axis; and from there on. ``period_s``: sampling period
    of the log; 0 for none.
    """

    machine: Machine
    feeder: Feeder
    cycles: list[Cycle]
    feed: LoggedFeed
    points: Points
    disturbed: list[tuple[float, float]]
    begin_s: float
    length_s: float
    period_s: float

    def is_disturbed(self, from_s: float, to_s: float) -> bool:
        """Tell whether a span touches one that is not judged."""
        return any(a <= to_s and from_s <= b for a, b in self.disturbed)

    @property
    def hides_cycles(self) -> bool:
        """Whether a clutch may open and close again between two samples of the log."""
        clutch = self.feeder.clutch
        _, ramp_out = clutch.ramps_s(max(self.machine.line.speed_mm_s, 1.0))
        return ramp_out + clutch.settle_s < 1.5 * self.period_s

    @property
    def insert_pitch_s(self) -> float:
        """The time from insert to insert at line speed."""
        feed_mm_s = self.machine.line.speed_mm_s * self.feeder.settings.speed_ratio
        return self.feeder.inserts.pitch_mm / max(feed_mm_s, 1.0)
