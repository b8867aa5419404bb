"""Watch over one feeder of a supervised line: its rules, and hazards that become jams."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from feedsim.draws.line_draws import Draws
from feedsim.machine import SAME_RATIO, SAME_TRAVEL_MM, Hazard, Machine, StopRules
from feedsim.motion.feed import FeedMotion
from feedsim.records.on_carrier import AT_REST_MM_S, inside_mm, on_carrier
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Rule
from feedsim.simulation.conveyor import Conveyor
from feedsim.simulation.derived import demand_at

_NOTHING_FED = {Outcome.NOT_STAGED, Outcome.NO_INSERT}
_UNKNOWN_TO_PROGRAM = {Outcome.NOT_SEEN, Outcome.MERGED, Outcome.LINE_STOP}
"""Causes unknown to the program, which neither lengthen a row of misses nor break it."""


class Report(Protocol):
    """Takes the report of a broken rule."""

    def __call__(self, rule: Rule, *, feeder: int = -1, cause: str = "", carrier: int = -1) -> None:
        """Stop the line at this instant."""


class Watch:
    """Rules and hazards at one feeder of a machine with supervision.

    ``ratio``: the present speed ratio. ``lost``: carriers missed because of the present stop.
    ``place_of``: leading edge (mm of belt travel) and slip (mm) of a carrier. ``lacking``: why
    nothing is staged or on its way there; empty if there is no such cause. ``on_placed``,
    ``on_motion`` are called at each landing, and whenever the clutch has closed or opened.
    """

    def __init__(
        self,
        number: int,
        machine: Machine,
        *,
        conveyor: Conveyor,
        feed: FeedMotion,
        draws: Draws,
        report: Report,
    ) -> None:
        assert machine.supervision is not None  # noqa: S101 - only a supervised line has watches
        self._number = number
        self._supervision = machine.supervision
        self._feeder, self._encoder = machine.feeders[number], machine.encoder
        self._room_mm = machine.carriers.room_mm(self._feeder.inserts)
        self._conveyor = conveyor
        self._feed = feed
        self._report = report
        self._chances = {
            hazard: draws.jams(number, hazard, probability=probability)
            for hazard, probability in machine.supervision.jam_probability
        }
        self.rules: StopRules = machine.supervision.rules
        self.stops_doubles = self._feeder.double_check.stops or self.rules.double_found
        self.ratio = self._feeder.settings.speed_ratio
        self.lost: list[int] = []
        self.place_of: Callable[[int], tuple[float, float]] = lambda _: (0.0, 0.0)
        self.lacking: Callable[[], str] = lambda: ""
        self.on_placed: Callable[[], None] = lambda: None
        self.on_motion: Callable[[], None] | None = None
        self._in_a_row = 0

    # -- carriers --------------------------------------------------------------------

    def missed(self, carrier: int, outcome: Outcome) -> None:
        """Count a carrier without an insert."""
        if outcome is Outcome.LINE_STOP:
            self.lost.append(carrier)
        if outcome in _UNKNOWN_TO_PROGRAM:
            return
        self._in_a_row += 1
        if 0 < self.rules.misses_in_a_row <= self._in_a_row:
            behind = self.lacking() if outcome in _NOTHING_FED else ""
            self.trip(Rule.MISSES_IN_A_ROW, cause=behind or outcome.cause, carrier=carrier)

    def stopped(self) -> None:
        """Restart the count of misses."""
        self._in_a_row = 0

    # -- the cycle -------------------------------------------------------------------

    def closed(self, t: float, *, carrier: int, insert: int, stage_mm: float, double: bool) -> None:
        """Check a closing of the clutch at tick ``t`` (s)."""
        self._in_a_row = 0
        if self.on_motion is not None:
            self.on_motion()
        if self.rules.drive_overload:
            self._look_at_drive(t, self._feeder.clutch.ramp_in, carrier)
        if not self._chances:
            return
        if stage_mm > self._feeder.nose_limit_mm + SAME_TRAVEL_MM:
            self.hazard(Hazard.NOSE_STRIKE, insert=insert, carrier=carrier)
        if double:
            self.hazard(Hazard.DOUBLE, insert=insert, carrier=carrier)

    def opened(self, t: float, *, carrier: int, insert: int, tail_mm: float) -> None:
        """Check an opening of the clutch at tick ``t`` (s)."""
        if self.on_motion is not None:
            self.on_motion()
        if self.rules.drive_overload:
            self._look_at_drive(t, self._feeder.clutch.ramp_out, carrier)
        if self._chances and tail_mm < self._feeder.grip_end_mm - SAME_TRAVEL_MM:
            self.hazard(Hazard.TAIL_HELD, insert=insert, carrier=carrier)

    def landed(self, t: float, *, carrier: int, insert: int) -> None:
        """Check a landing."""
        self.on_placed()
        if not self._chances:
            return
        if Hazard.SPEED_MISMATCH in self._chances and self._mismatched(t):
            self.hazard(Hazard.SPEED_MISMATCH, insert=insert, carrier=carrier)
        if Hazard.OFF_CARRIER in self._chances and self._off_carrier(t, carrier):
            self.hazard(Hazard.OFF_CARRIER, insert=insert, carrier=carrier)

    def hazard(self, hazard: Hazard, *, insert: int, carrier: int) -> None:
        """Draw whether a hazard becomes a jam."""
        chance = self._chances.get(hazard)
        if chance is not None and chance(insert):
            self.trip(Rule.JAM, cause=hazard.value, carrier=carrier)

    def trip(self, rule: Rule, *, cause: str = "", carrier: int = -1) -> None:
        """Stop the line."""
        self._report(rule, feeder=self._number, cause=cause, carrier=carrier)

    # -- what is measured ------------------------------------------------------------

    def _look_at_drive(self, t: float, length: float, carrier: int) -> None:
        belt, encoder = self._conveyor.master.belt, self._encoder
        ticks, ratio = np.array([t]), self.ratio
        wanted = demand_at(ticks, length, self._feeder, ratio=ratio, belt=belt, encoder=encoder)
        if wanted[0] > self._feeder.servo.max_acceleration_mm_s2 * (1.0 + SAME_RATIO):
            self.trip(Rule.DRIVE_OVERLOAD, carrier=carrier)

    def _mismatched(self, t: float) -> bool:
        belt = self._conveyor.master.belt.speed(t)
        limit = self._supervision.speed_mismatch + SAME_RATIO
        return belt <= AT_REST_MM_S or abs(self._feed.speed(t) / belt - 1.0) > limit

    def _off_carrier(self, t: float, carrier: int) -> bool:
        leading, slip = self.place_of(carrier)
        travelled = self._conveyor.master.belt.position(t) - leading
        reach = self._feeder.eye_to_placement_mm
        offset = on_carrier(travelled, eye_to_placement_mm=reach, slip_mm=slip)
        inside = inside_mm(offset, room_mm=self._room_mm)
        return inside + self._supervision.overhang_mm < -SAME_TRAVEL_MM
