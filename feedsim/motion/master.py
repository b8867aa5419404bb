"""The master as the controller reads it: counts, points and the ticks they act on.

A *reading* is what the controller stores of the belt travel at an instant. On an encoder
it is a whole count, kept as such, so that a point (reading + whole counts) is exact; on a
virtual master it is the travel itself. ``unit_mm`` is the counted travel of one unit of a
reading.
"""

from __future__ import annotations

import math

from feedsim.machine import Controller, Encoder
from feedsim.motion.belt import BeltMotion
from feedsim.motion.controller_speed import ControllerSpeed
from feedsim.motion.crossing import first_rise
from feedsim.motion.ticks import SAME_TRAVEL_MM, next_tick

__all__ = ["Master"]


class Master:
    """Belt travel as the controller sees it, for one belt motion; immutable.

    Parameters
    ----------
    belt : BeltMotion
    encoder : Encoder
    controller : Controller
    phase : float
        φ of the encoder, 0…1.
    ticks_phase_s : float
        φ_t, shared by scan and motion ticks.
    """

    def __init__(
        self,
        belt: BeltMotion,
        encoder: Encoder,
        *,
        controller: Controller,
        phase: float,
        ticks_phase_s: float,
    ) -> None:
        self.belt = belt
        self.speed = ControllerSpeed(
            belt, scale_error=encoder.scale_error, filter_s=controller.speed_filter_s
        )
        self._steady = self.speed.constant
        self.counting = encoder.count_mm > 0.0
        self.unit_mm = encoder.count_mm if self.counting else 1.0
        self._belt_per_unit = (1.0 + encoder.scale_error) * self.unit_mm
        self._units_per_belt = 1.0 / self._belt_per_unit
        self._phase = phase if self.counting else 0.0
        self._same_units = SAME_TRAVEL_MM / self.unit_mm
        self._filter_s = controller.speed_filter_s
        self._ticks_phase_s = ticks_phase_s
        self._scan_s = controller.scan_s
        self._cycle_s = controller.motion_cycle_s

    def scan_tick(self, t: float) -> float:
        """Return the first scan tick (s) at or after ``t``."""
        return next_tick(t, self._ticks_phase_s, period=self._scan_s)

    def motion_tick(self, t: float) -> float:
        """Return the first motion tick (s) at or after ``t``."""
        return next_tick(t, self._ticks_phase_s, period=self._cycle_s)

    def reading(self, t: float) -> float:
        """Return the reading at time ``t`` (s), in units."""
        units = self.belt.position(t) * self._units_per_belt + self._phase
        return float(math.floor(units + self._same_units)) if self.counting else units

    def _units(self, distance: float, lead: float, *, speed: float) -> float:
        units = (distance - lead * speed) / self.unit_mm
        return float(round(units)) if self.counting else units

    def point_travel(self, distance: float, lead: float, *, t: float) -> float:
        """Return distance − lead·y(t), in units, whole counts on an encoder."""
        return self._units(distance, lead, speed=self.speed.at(t))

    def past(self, mark: float, distance: float, *, lead: float, t: float) -> float:
        """Return by how many mm of counted travel a point is passed at time ``t``.

        Parameters
        ----------
        mark : float
            Reading (units).
        distance : float
            From mark to point, mm of counted travel.
        lead : float
            Seconds of controller speed.
        t : float
            Seconds.

        Returns
        -------
        float
            mm; below 0 ahead of the point.
        """
        units = self.reading(t) - mark - self.point_travel(distance, lead, t=t)
        return units * self.unit_mm

    def first_action(
        self, mark: float, distance: float, *, lead: float, not_before: float
    ) -> float:
        """Return the first motion tick at which a point is reached or passed.

        The point is re-evaluated at every tick, since its lead is taken from the speed
        then (model, section 5).

        Parameters
        ----------
        mark, distance, lead
            As in :meth:`past`.
        not_before : float
            Seconds: no tick earlier than this.

        Returns
        -------
        float
            Seconds; ``inf`` where the belt motion never gets there.
        """
        if self._steady:
            units = mark + self._units(distance, lead, speed=self.speed.at(0.0))
            t = self.belt.time_at((units - self._phase) * self._belt_per_unit)
            return self.motion_tick(t if t > not_before else not_before)
        belt = self.belt
        i = belt.index(not_before)
        if self.speed.steady_from(i) <= not_before:
            units = mark + self.point_travel(distance, lead, t=not_before)
            t = belt.time_at((units - self._phase) * self._belt_per_unit)
            if t <= not_before:
                return self.motion_tick(not_before)
            tick = self.motion_tick(t)
            if tick <= belt.end(i):
                return tick
        return self._search(mark, distance, lead=lead, t=not_before)

    def _search(self, mark: float, distance: float, *, lead: float, t: float) -> float:
        t = self.motion_tick(t)
        while t < math.inf:
            if self.past(mark, distance, lead=lead, t=t) >= -SAME_TRAVEL_MM:
                return t
            if self._cycle_s > 0.0:
                later = self.motion_tick(t + 0.5 * self._cycle_s)
                t = max(later, self.motion_tick(self._may_reach(mark, distance, lead=lead, t=t)))
            elif self.counting:
                t = self._next_change(mark, distance, lead=lead, t=t)
            else:
                return self._may_reach(mark, distance, lead=lead, t=t)
        return t

    def _may_reach(self, mark: float, distance: float, *, lead: float, t: float) -> float:
        """First time ≥ t at which counted travel without steps may reach the point.

        With counts the point may act half a count before its unrounded place; never earlier.
        """
        slack = 0.5 * self.unit_mm + SAME_TRAVEL_MM if self.counting else 0.0
        level = (mark - self._phase) * self.unit_mm + distance - slack
        ratio = self.unit_mm * self._units_per_belt
        for i in range(self.belt.index(t), len(self.belt.pieces)):
            start, travel, speed, a = self.belt.pieces[i]
            begin = max(t, start)
            d = begin - start
            y0, slope, departure = self.speed.curve(i)
            s = first_rise(
                (
                    (travel + (speed + 0.5 * a * d) * d) * ratio + lead * (y0 + slope * d) - level,
                    (speed + a * d) * ratio + lead * slope,
                    0.5 * a * ratio,
                ),
                decay=lead * departure * math.exp(-d / self._filter_s) if departure else 0.0,
                rate=1.0 / self._filter_s if self._filter_s else 0.0,
                end=self.belt.end(i) - begin,
            )
            if s < math.inf and not (speed == 0.0 == a and s == 0.0 and not departure):
                return begin + s
        return math.inf

    def _next_change(self, mark: float, distance: float, *, lead: float, t: float) -> float:
        """Next instant at which a count is reached or the rounded point moves."""
        point = self.point_travel(distance, lead, t=t)
        reached = self.belt.time_at((mark + point - self._phase) * self._belt_per_unit)
        moved = self._rounding_moves(distance, lead, point=point, t=t)
        return max(min(reached, moved), math.nextafter(t, math.inf))

    def _rounding_moves(self, distance: float, lead: float, *, point: float, t: float) -> float:
        if lead == 0.0:
            return math.inf
        lowest = (distance - (point + 0.5) * self.unit_mm) / lead
        highest = (distance - (point - 0.5) * self.unit_mm) / lead
        lowest, highest = min(lowest, highest), max(lowest, highest)
        for i in range(self.belt.index(t), len(self.belt.pieces)):
            start = self.belt.pieces[i].start_s
            begin = max(t, start)
            d = begin - start
            y0, slope, departure = self.speed.curve(i)
            rate = 1.0 / self._filter_s if self._filter_s else 0.0
            decay = departure * math.exp(-d * rate) if departure else 0.0
            y = y0 + slope * d
            end = self.belt.end(i) - begin
            s = min(
                first_rise((y - highest, slope, 0.0), decay=decay, rate=rate, end=end),
                first_rise((lowest - y, -slope, 0.0), decay=-decay, rate=rate, end=end),
            )
            if s < math.inf:
                return begin + s
        return math.inf
