"""The parts of the mean placement error, one by one; together they are that mean."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import act_shifts, engage_travel, is_locked, mean_of
from feedsim.settings.late_acts import late_engage_mean, late_opening_mean
from feedsim.settings.predict import known_bias, opening_bias
from feedsim.settings.right import solve_feeder
from feedsim.settings.spreads import scale_shift

__all__ = ["Shift", "mean_shift", "placement_shifts"]

_NOTHING_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Shift:
    """One part of the mean placement error (mm; above 0: too far back)."""

    name: str
    mean_mm: float


def mean_shift(shifts: Sequence[Shift]) -> float:
    """Return the mean placement error that the shifts make together (mm)."""
    return sum(shift.mean_mm for shift in shifts)


def placement_shifts(machine: Machine, feeder: Feeder, *, speed: float) -> list[Shift]:
    """Return the parts of the mean placement error; those of nothing are left out.

    Parameters
    ----------
    machine : Machine
        Its settings solved for this speed.
    feeder : Feeder
    speed : float
        Line speed (mm/s).
    """
    found = [
        Shift("encoder scale error", scale_shift(machine, feeder)),
        *_wrong_settings(machine, feeder, speed=speed),
        *_known_terms(machine, feeder, speed=speed),
    ]
    return [shift for shift in found if abs(shift.mean_mm) > _NOTHING_MM]


def _wrong_settings(machine: Machine, feeder: Feeder, *, speed: float) -> Iterator[Shift]:
    """List what distances and leads do that are not the right ones of every speed."""
    given, right = feeder.settings, solve_feeder(machine, feeder)
    scale = 1.0 + machine.encoder.scale_error
    distance = given.engage_distance_mm - right.engage_distance_mm
    yield Shift("engage distance not the right one", scale * distance)
    lead = given.engage_lead_s - right.engage_lead_s
    yield Shift("engage lead off the sum of delays", -lead * speed)
    if given.stage_correction:
        return
    distance = given.disengage_distance_mm - right.disengage_distance_mm
    yield Shift("disengage distance not the right one", -scale * distance)
    lead = given.disengage_lead_s - right.disengage_lead_s
    yield Shift("disengage lead off the sum of delays", lead * speed)


def _known_terms(machine: Machine, feeder: Feeder, *, speed: float) -> Iterator[Shift]:
    """List rounding to counts and locked ticks, and what late openings do."""
    scale = 1.0 + machine.encoder.scale_error
    late = late_engage_mean(machine, feeder, speed=speed)
    yield Shift("late marks", scale * late)
    if feeder.settings.stage_correction:
        shift = known_bias(machine, feeder, speed=speed)
        yield Shift("engage point in steps of locked ticks", shift)
        return
    travel = engage_travel(machine, feeder, speed=speed)
    engage = act_shifts(machine, travel, speed=speed, scanned=machine.carrier_eye.scanned)
    how = _how_known(machine, machine.carrier_eye)
    yield Shift(f"engage point {how}", scale * mean_of(engage))
    how = _how_known(machine, feeder.eye)
    yield Shift(f"disengage point {how}", -scale * opening_bias(machine, feeder, speed=speed))
    late = late_opening_mean(machine, feeder, speed=speed)
    yield Shift("late openings", -scale * late)


def _how_known(machine: Machine, eye: Eye) -> str:
    if is_locked(eye, machine.controller):
        return "in steps of locked ticks"
    return "rounded to whole counts"
