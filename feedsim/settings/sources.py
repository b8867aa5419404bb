"""The sources of spread of the placement, one by one, as a GUM budget has them.

Each source is a quantity that varies (an edge, a response, a wait for a tick, a count, a slip)
with its standard uncertainty, and by how much the placement error moves with it. What comes
late on the carrier side places late; what comes late on the insert side stages the insert
further on, so that it places early. What is off on the insert side by a feed travel x places by
(1 + ε)·x/g of belt travel. What moves the mean error is in :mod:`feedsim.settings.shifts`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import (
    engage_travel,
    first_shifts,
    is_locked,
    locked_step,
    opening_travel,
    variance_of,
)
from feedsim.settings.distribution import Distribution
from feedsim.settings.nominal import clipped_slip_sd
from feedsim.settings.predict import corrected_point
from feedsim.settings.shifts import Shift, mean_shift, placement_shifts
from feedsim.settings.spreads import belt_per_feed
from feedsim.settings.standard_uncertainty import rectangular_sd

__all__ = [
    "MOTION_CYCLE",
    "Shape",
    "Shift",
    "Side",
    "Source",
    "combined_sd",
    "mean_shift",
    "placement_sd",
    "placement_shifts",
    "placement_sources",
]

Shape = Literal["normal", "clipped normal", "rectangular", "discrete"]
Side = Literal["carrier", "insert"]
MOTION_CYCLE = "motion cycle"
_COUNT = "encoder count"
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
        "discrete": a few values; of a tick equally likely ones at equal steps.
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


def combined_sd(sources: Sequence[Source]) -> float:
    """Return the root of the sum of the squared contributions (mm).

    Combined standard uncertainty of independent quantities, JCGM 100:2008 (GUM), 5.1.2.
    """
    return math.sqrt(sum(source.contribution_mm**2 for source in sources))


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
    per_feed, carrier_eye = belt_per_feed(machine, feeder), machine.carrier_eye
    insert_side = _side(machine, feeder.eye, "insert", speed=-speed, per_mm=-per_feed)
    acts = [
        *_act(machine, feeder, carrier_eye, _Late("carrier", speed)),
        *_act(machine, feeder, feeder.eye, _Late("insert", -speed)),
    ]
    if feeder.settings.stage_correction:
        acts = list(_corrected(machine, feeder, speed=speed))
    carrier_slip, insert_slip = machine.carriers.slip_sd_mm, clipped_slip_sd(feeder.inserts)
    found = [
        *_side(machine, carrier_eye, "carrier", speed=speed, per_mm=1.0),
        *(source for source in acts if source.side == "carrier"),
        *insert_side,
        *(source for source in acts if source.side == "insert"),
        _of_length("carrier slip", "carrier", "normal", carrier_slip, per_mm=-1.0),
        _of_length("insert slip", "insert", "clipped normal", insert_slip, per_mm=per_feed),
    ]
    return [source for source in found if source.standard_uncertainty > 0.0]


def placement_sd(machine: Machine, feeder: Feeder, *, speed: float) -> float:
    """Return the standard deviation of the placement error (mm) at a line speed (mm/s)."""
    return combined_sd(placement_sources(machine, feeder, speed=speed))


def _side(
    machine: Machine, eye: Eye, side: Side, *, speed: float, per_mm: float
) -> Iterator[Source]:
    """List one side's sources, from its edge to its capture.

    ``speed`` and ``per_mm`` are below 0 where what comes late places early.
    """
    late = _Late(side, speed)
    yield _of_length(f"{side} eye edge", side, "normal", eye.edge_sd_mm, per_mm=per_mm)
    yield late.anywhere(f"{side} eye jitter", eye.response_jitter_s)
    if eye.scanned:
        scan = 0.5 * machine.controller.scan_s
        yield late.anywhere(f"{side} eye scan", scan, cause="scan")


def _act(machine: Machine, feeder: Feeder, eye: Eye, late: _Late) -> Iterator[Source]:
    """List what one side's point, its count and its tick spread.

    Locked, the fraction of a count at the storing tick decides which step it is: that spreads
    where the point lies within a count of a step, and not at all elsewhere.
    """
    yield late.tick(machine, scanned=eye.scanned)
    if not is_locked(eye, machine.controller):
        yield _count(machine, late)
        return
    of = engage_travel if late.side == "carrier" else opening_travel
    travel = of(machine, feeder, speed=abs(late.speed))
    shifts = first_shifts(machine, travel, speed=abs(late.speed), scanned=True)
    yield _of_steps(_count_name(late), late.side, _COUNT, _sd(shifts, machine))


def _corrected(machine: Machine, feeder: Feeder, *, speed: float) -> Iterator[Source]:
    """List what point, counts and tick spread with stage correction.

    They are those of :func:`feedsim.settings.predict.corrected_point`; a tick that is locked to the
    scan and one step of its correction make up a whole motion cycle.
    """
    controller = machine.controller
    carrier, insert = _Late("carrier", speed), _Late("insert", -speed)
    yield carrier.tick(machine, scanned=machine.carrier_eye.scanned)
    name, locked = "steps of correction", is_locked(machine.carrier_eye, controller)
    if not is_locked(feeder.eye, controller):
        if locked:
            yield carrier.anywhere(name, 0.5 * locked_step(controller), cause=MOTION_CYCLE)
        yield _count(machine, carrier)
        yield _count(machine, insert)
        return
    steps = corrected_point(machine, feeder, speed=speed).choices
    if not locked or not steps:
        yield _count(machine, carrier)
    if steps:
        yield _of_steps(name, "carrier", MOTION_CYCLE, math.sqrt(variance_of(steps[0])))
    else:  # a count has so many steps that they are as good as none
        yield _count(machine, insert)


def _count(machine: Machine, late: _Late) -> Source:
    half = 0.5 * machine.encoder.count_mm
    per_mm = math.copysign(1.0 + machine.encoder.scale_error, late.speed)
    name, u = _count_name(late), rectangular_sd(half)
    return Source(name, late.side, _COUNT, "mm", "rectangular", half, u, per_mm)


def _count_name(late: _Late) -> str:
    return f"{late.side} eye count"


def _sd(shifts: Distribution, machine: Machine) -> float:
    return (1.0 + machine.encoder.scale_error) * math.sqrt(variance_of(shifts))


def _of_steps(name: str, side: Side, cause: str, sd_mm: float) -> Source:
    sign = 1.0 if side == "carrier" else -1.0
    sd_mm = sd_mm if sd_mm > _NOTHING_MM else 0.0
    return Source(name, side, cause, "mm", "discrete", None, sd_mm, sign)


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


def _of_length(name: str, side: Side, shape: Shape, sd_mm: float, *, per_mm: float) -> Source:
    return Source(name, side, name, "mm", shape, None, sd_mm, per_mm)
