"""The sources of spread and of mean shift of the placement, one by one, as a GUM budget has them.

Each source is a quantity that varies (an edge, a response, a wait for a tick, a count, a slip)
with its standard uncertainty, and by how much the placement error moves with it. What comes
late on the carrier side places late; what comes late on the insert side stages the insert
further on, so that it places early. The squares of the contributions add up to the variance of
:func:`feedsim.settings.predict.placement_sd`, the shifts to the mean error.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import act_shifts, locked_step, mean_of, variance_of
from feedsim.settings.nominal import clipped_slip_sd
from feedsim.settings.predict import (
    corrected_shift,
    engage_travel,
    known_bias,
    opening_bias,
    opening_travel,
)
from feedsim.settings.solve import solve_feeder
from feedsim.settings.spreads import late_opening, scale_shift
from feedsim.settings.standard_uncertainty import rectangular_sd

__all__ = [
    "MOTION_CYCLE",
    "Shape",
    "Shift",
    "Side",
    "Source",
    "combined_sd",
    "mean_shift",
    "placement_shifts",
    "placement_sources",
    "split_step_sd",
]

Shape = Literal["normal", "clipped normal", "rectangular", "discrete"]
Side = Literal["carrier", "insert"]
MOTION_CYCLE = "motion cycle"
_NOTHING_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Source:
    """One source of spread, a line of the budget.

    Attributes
    ----------
    name : str
        In the machine's words.
    side : {"carrier", "insert"}
        Whether it moves the carrier's mark (or the carrier), or the insert and its stage.
    cause : str
        What one would change about the machine; several sources may have one cause.
    unit : {"mm", "s"}
        Of what varies; a time counts with the speed.
    distribution : {"normal", "clipped normal", "rectangular", "discrete"}
        "discrete": equally likely values at equal steps.
    half_width : float or None
        From the middle to either end (``unit``); None where there is no end.
    standard_uncertainty : float
        Standard deviation of what varies (``unit``).
    sensitivity_mm_per_unit : float
        By how much the placement error grows with it (mm per ``unit``); below 0 it falls.
    """

    name: str
    side: Side
    cause: str
    unit: Literal["mm", "s"]
    distribution: Shape
    half_width: float | None
    standard_uncertainty: float
    sensitivity_mm_per_unit: float

    @property
    def contribution_mm(self) -> float:
        """Standard deviation that it alone gives the placement error (mm).

        Standard uncertainty times the size of the sensitivity, JCGM 100:2008 (GUM), 5.1.3.
        """
        return abs(self.sensitivity_mm_per_unit) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Shift:
    """One part of the mean placement error (mm; above 0: too far back)."""

    name: str
    mean_mm: float


def combined_sd(sources: Sequence[Source]) -> float:
    """Return the root of the sum of the squared contributions (mm).

    Combined standard uncertainty of independent quantities, JCGM 100:2008 (GUM), 5.1.2.
    """
    return math.sqrt(sum(source.contribution_mm**2 for source in sources))


def mean_shift(shifts: Sequence[Shift]) -> float:
    """Return the mean placement error that the shifts make together (mm)."""
    return sum(shift.mean_mm for shift in shifts)


def placement_sources(machine: Machine, feeder: Feeder, *, speed: float) -> list[Source]:
    """Return the sources of the spread of the placement error; those of nothing are left out.

    Parameters
    ----------
    machine : Machine
        Its settings solved.
    feeder : Feeder
    speed : float
        Line speed (mm/s).
    """
    g = feeder.settings.speed_ratio
    corrected = feeder.settings.stage_correction
    insert_side = _side(machine, feeder.eye, "insert", speed=-speed, per_mm=-1.0 / g)
    carrier_slip, insert_slip = machine.carriers.slip_sd_mm, clipped_slip_sd(feeder.inserts)
    found = [
        *_side(machine, machine.carrier_eye, "carrier", speed=speed, per_mm=1.0),
        *(_correction(machine, feeder, speed=speed) if corrected else ()),
        *(source for source in insert_side if not (corrected and source.cause == MOTION_CYCLE)),
        _of_length("carrier slip", "carrier", "normal", carrier_slip, per_mm=-1.0),
        _of_length("insert slip", "insert", "clipped normal", insert_slip, per_mm=1.0 / g),
    ]
    return [source for source in found if source.standard_uncertainty > 0.0]


def _side(
    machine: Machine, eye: Eye, side: Side, *, speed: float, per_mm: float
) -> Iterator[Source]:
    """List one side's sources, from its edge to the act of the clutch.

    ``speed`` and ``per_mm`` are below 0 where what comes late places early.
    """
    late = _Late(side, speed)
    yield _of_length(f"{side} eye edge", side, "normal", eye.edge_sd_mm, per_mm=per_mm)
    yield late.anywhere(f"{side} eye jitter", eye.response_jitter_s)
    if eye.scanned:
        scan = 0.5 * machine.controller.scan_s
        yield late.anywhere(f"{side} eye scan", scan, cause="scan")
    yield late.tick(machine, scanned=eye.scanned)
    half_count = 0.5 * machine.encoder.count_mm
    yield Source(
        f"{side} eye count",
        side,
        "encoder count",
        "mm",
        "rectangular",
        half_count,
        rectangular_sd(half_count),
        math.copysign(1.0, speed),
    )


@dataclass(frozen=True, slots=True)
class _Late:
    """What makes one side late by a time, and at which speed (mm/s) that counts."""

    side: Side
    speed: float

    def anywhere(self, name: str, half_width_s: float, *, cause: str = "") -> Source:
        """Return a time that lies anywhere within ± the half-width."""
        u = rectangular_sd(half_width_s)
        shape: Shape = "rectangular"
        return Source(name, self.side, cause or name, "s", shape, half_width_s, u, self.speed)

    def tick(self, machine: Machine, *, scanned: bool) -> Source:
        """Return the wait for a motion tick: any, or from a scan tick one of a few steps γ.

        n values a step γ apart have the variance γ²·(n² − 1)/12 = (cycle² − γ²)/12.
        """
        name = "closing tick" if self.side == "carrier" else "opening tick"
        cycle = machine.controller.motion_cycle_s
        step = locked_step(machine.controller) if scanned else 0.0
        if step == 0.0:
            return self.anywhere(name, 0.5 * cycle, cause=MOTION_CYCLE)
        u = math.sqrt((cycle * cycle - step * step) / 12.0) if round(cycle / step) > 1 else 0.0
        half = 0.5 * (cycle - step)
        return Source(name, self.side, MOTION_CYCLE, "s", "discrete", half, u, self.speed)


def _correction(machine: Machine, feeder: Feeder, *, speed: float) -> Iterator[Source]:
    """List what the locked steps of a scanned carrier eye leave of the stage correction."""
    name = "steps of correction"
    variance = corrected_shift(machine, feeder, speed=speed)[1]
    if variance > 0.0 and feeder.eye.scanned:
        sd = math.sqrt(variance)
        yield Source(name, "carrier", MOTION_CYCLE, "mm", "discrete", None, sd, 1.0)
    elif variance > 0.0:
        half_step = 0.5 * locked_step(machine.controller)
        yield _Late("carrier", speed).anywhere(name, half_step, cause=MOTION_CYCLE)


def _of_length(name: str, side: Side, shape: Shape, sd_mm: float, *, per_mm: float) -> Source:
    return Source(name, side, name, "mm", shape, None, sd_mm, per_mm)


def split_step_sd(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the standard deviation (mm) that points add which fall between two locked steps.

    Of a scanned eye the clutch acts a whole number of steps γ after the scan tick. Where the
    point lies within a count of a step, the encoder's phase decides whether it acts there or a
    step later, and each is taken by some: the budget has no line for that.
    """
    step, cycle = locked_step(machine.controller), machine.controller.motion_cycle_s
    known = (cycle * cycle - step * step) * speed * speed / 12.0
    sides = [(machine.carrier_eye, engage_travel(machine, feeder, speed=speed))]
    if not feeder.settings.stage_correction:
        sides.append((feeder.eye, opening_travel(machine, feeder, speed=speed)))
    more = 0.0
    for eye, travel in sides:
        if eye.scanned and step > 0.0:
            shifts = act_shifts(machine, travel, speed=speed, scanned=True)
            more += max(0.0, variance_of(shifts) - known)
    return math.sqrt(more)


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
    """List what distances and leads do that are not the right ones."""
    given, right = feeder.settings, solve_feeder(machine, feeder)
    scale = 1.0 + machine.encoder.scale_error
    distance = given.engage_distance_mm - right.engage_distance_mm
    yield Shift("engage distance not the right one", scale * distance)
    lead = given.engage_lead_s - right.engage_lead_s
    yield Shift("engage lead not the right one", -lead * speed)
    if given.stage_correction:
        return
    distance = given.disengage_distance_mm - right.disengage_distance_mm
    yield Shift("disengage distance not the right one", -scale * distance)
    lead = given.disengage_lead_s - right.disengage_lead_s
    yield Shift("disengage lead not the right one", lead * speed)


def _known_terms(machine: Machine, feeder: Feeder, *, speed: float) -> Iterator[Shift]:
    """List rounding to counts and locked ticks, and what late openings do."""
    scale = 1.0 + machine.encoder.scale_error
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
    late = late_opening(machine, feeder, speed=speed)
    mean = late.mean + sum(share * 0.5 * length for share, length in late.rarely)
    yield Shift("late openings", -scale * mean)


def _how_known(machine: Machine, eye: Eye) -> str:
    if eye.scanned and locked_step(machine.controller) > 0.0:
        return "in steps of locked ticks"
    return "rounded to whole counts"
