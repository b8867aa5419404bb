"""The master as the controller reads it: counts, points and the ticks they act on.

A *reading* is what the controller stores of the belt travel at an instant. On an encoder
it is a whole count, kept as such, so that a point (reading + whole counts) is exact; on a
virtual master it is the travel itself. ``unit_mm`` is the counted travel of one unit of a
reading.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.arrays import Floats, Value
from feedsim.machine import SAME_TRAVEL_MM, Controller, Encoder
from feedsim.motion.belt import BeltMotion, belt_index, belt_position, belt_time_at
from feedsim.motion.controller_speed import (
    ControllerSpeed,
    departed_speed,
    speed_at,
    speed_curve,
    speed_steady_from,
)
from feedsim.motion.crossing import first_rise
from feedsim.motion.ticks import next_tick


def next_scan_tick(master: Master, t: float) -> float:
    """Return the first scan tick (s) at or after ``t``."""
    return next_tick(t, master.ticks_phase_s, period=master.scan_s)


def next_motion_tick(master: Master, t: float) -> float:
    """Return the first motion tick (s) at or after ``t``."""
    return next_tick(t, master.ticks_phase_s, period=master.cycle_s)


def reading_at(master: Master, t: float) -> float:
    """Return the reading at time ``t`` (s), in units: ⌊m/((1+ε)·q) + φ⌋ on an encoder.

    q a count, φ its phase; on a virtual master m itself (feedsim/MODEL.md, section 2).
    """
    units = _before_rounding(master, belt_position(master.belt, t))
    return float(math.floor(units + master.same_units)) if master.counting else units


def _before_rounding(master: Master, travel_mm: Value) -> Value:
    return travel_mm * master.units_per_belt + master.phase


def travel_of_reading(master: Master, reading: float) -> float:
    """Return the belt travel (mm) at which a reading (units) is reached."""
    return (reading - master.phase) * master.belt_per_unit


def reading_reached(master: Master, reading: float) -> float:
    """Return when a reading (units) is first reached (s), or ``inf``."""
    return belt_time_at(master.belt, travel_of_reading(master, reading))


def _units(master: Master, distance: float, *, lead: float, speed: float) -> float:
    units = (distance - lead * speed) / master.unit_mm
    return float(round(units)) if master.counting else units


def travel_to_point(master: Master, distance: float, lead: float, *, t: float) -> float:
    """Return distance − lead·y(t), in units, whole counts on an encoder (feedsim/MODEL.md, 5)."""
    return _units(master, distance, lead=lead, speed=speed_at(master.speed, t))


def travel_past(master: Master, mark: float, distance: float, *, lead: float, t: float) -> float:
    """Return by how many mm of counted travel a point is passed at time ``t``.

    Reading − mark − (distance − lead·y), as in feedsim/MODEL.md, section 5.

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
    units = reading_at(master, t) - mark - travel_to_point(master, distance, lead, t=t)
    return units * master.unit_mm


def units_beyond(master: Master, travel_mm: float) -> float:
    """Return the least travel (units, whole counts on an encoder) that is surely beyond a travel.

    Both of counted travel; one that equals it is not beyond it.
    """
    if master.counting:
        return math.floor((travel_mm + SAME_TRAVEL_MM) / master.unit_mm) + 1.0
    return travel_mm + 2.0 * SAME_TRAVEL_MM


def first_tick_past(
    master: Master, mark: float, distance: float, *, lead: float, not_before: float
) -> float:
    """Return the first motion tick at which a point is reached or passed.

    The point is re-evaluated at every tick, since its lead is taken from the speed
    then (feedsim/MODEL.md, section 5).

    Parameters
    ----------
    mark, distance, lead
        As in :func:`travel_past`.
    not_before : float
        Seconds: no tick earlier than this.

    Returns
    -------
    float
        Seconds; ``inf`` if the belt never gets there.
    """
    belt, speed = master.belt, master.speed
    if speed.constant:
        units = _units(master, distance, lead=lead, speed=speed.constant_mm_s)
        t = reading_reached(master, mark + units)
        return next_motion_tick(master, t if t > not_before else not_before)
    i = belt_index(belt, not_before)
    if speed_steady_from(speed, i) <= not_before:
        units = travel_to_point(master, distance, lead, t=not_before)
        t = reading_reached(master, mark + units)
        if t <= not_before:
            return next_motion_tick(master, not_before)
        tick = next_motion_tick(master, t)
        if tick <= belt.end_times[i]:
            return tick
    return _search(master, mark, distance, lead=lead, t=not_before)


def _search(master: Master, mark: float, distance: float, *, lead: float, t: float) -> float:
    t = next_motion_tick(master, t)
    while t < math.inf:
        if travel_past(master, mark, distance, lead=lead, t=t) >= -SAME_TRAVEL_MM:
            return t
        if master.cycle_s > 0.0:
            later = next_motion_tick(master, t + 0.5 * master.cycle_s)
            may = _may_reach(master, mark, distance, lead=lead, t=t)
            t = max(later, next_motion_tick(master, may))
        elif master.counting:
            t = _next_change(master, mark, distance, lead=lead, t=t)
        else:
            return _may_reach(master, mark, distance, lead=lead, t=t)
    return t


def _may_reach(master: Master, mark: float, distance: float, *, lead: float, t: float) -> float:
    """First time ≥ t at which counted travel without steps may reach the point.

    With counts the point may act half a count before its unrounded place; never earlier.
    """
    belt, filter_s = master.belt, master.speed.filter_s
    slack = 0.5 * master.unit_mm + SAME_TRAVEL_MM if master.counting else 0.0
    level = (mark - master.phase) * master.unit_mm + distance - slack
    ratio = master.unit_mm * master.units_per_belt
    for i in range(belt_index(belt, t), belt.count):
        start, speed, a = belt.start_times[i], belt.start_speeds[i], belt.accelerations[i]
        begin = max(t, start)
        d = begin - start
        y0, slope, departure = speed_curve(master.speed, i)
        s = first_rise(
            (
                belt_position(belt, begin) * ratio + lead * (y0 + slope * d) - level,
                (speed + a * d) * ratio + lead * slope,
                0.5 * a * ratio,
            ),
            decay=lead * departed_speed(master.speed, i, s=d),
            rate=1.0 / filter_s if filter_s > 0.0 else 0.0,
            end=belt.end_times[i] - begin,
        )
        stands = speed == a == s == departure == 0.0
        if s < math.inf and not stands:
            return begin + s
    return math.inf


def _next_change(master: Master, mark: float, distance: float, *, lead: float, t: float) -> float:
    """Next instant at which a count is reached or the rounded point moves."""
    point = travel_to_point(master, distance, lead, t=t)
    reached = reading_reached(master, mark + point)
    moved = _rounding_moves(master, distance, lead, point=point, t=t)
    return max(min(reached, moved), math.nextafter(t, math.inf))


def _rounding_moves(
    master: Master, distance: float, lead: float, *, point: float, t: float
) -> float:
    if lead == 0.0:
        return math.inf
    belt, filter_s = master.belt, master.speed.filter_s
    one = (distance - (point + 0.5) * master.unit_mm) / lead
    other = (distance - (point - 0.5) * master.unit_mm) / lead
    lowest, highest = min(one, other), max(one, other)
    for i in range(belt_index(belt, t), belt.count):
        begin = max(t, belt.start_times[i])
        d = begin - belt.start_times[i]
        y0, slope, _ = speed_curve(master.speed, i)
        rate = 1.0 / filter_s if filter_s > 0.0 else 0.0
        decay = departed_speed(master.speed, i, s=d)
        y = y0 + slope * d
        end = belt.end_times[i] - begin
        s = min(
            first_rise((y - highest, slope, 0.0), decay=decay, rate=rate, end=end),
            first_rise((lowest - y, -slope, 0.0), decay=-decay, rate=rate, end=end),
        )
        if s < math.inf:
            return begin + s
    return math.inf


class Master:
    """Belt travel as the controller sees it, for one belt motion; immutable.

    Parameters
    ----------
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
        self.counting = encoder.count_mm > 0.0
        self.unit_mm = encoder.count_mm if self.counting else 1.0
        self.belt_per_unit = encoder.scale * self.unit_mm
        self.units_per_belt = 1.0 / self.belt_per_unit
        self.phase = phase if self.counting else 0.0
        self.same_units = SAME_TRAVEL_MM / self.unit_mm
        self.ticks_phase_s = ticks_phase_s
        self.scan_s = controller.scan_s
        self.cycle_s = controller.motion_cycle_s

    def readings(self, times: Floats) -> Floats:
        """Return :meth:`reading` for an array of times (s), shape kept."""
        units = _before_rounding(self, self.belt.positions(times))
        return np.floor(units + self.same_units) if self.counting else units

    scan_tick = next_scan_tick
    motion_tick = next_motion_tick
    reading = reading_at
    point_travel = travel_to_point
    past = travel_past
    first_action = first_tick_past
