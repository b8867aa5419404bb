"""Columns derived from event times and belt motion.

The belt's motion is fully known once the run is over, so these are computed for all rows at once,
from the same closed forms, instead of one by one during the run.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Divert, Encoder, Feeder
from feedsim.motion.belt import BeltMotion
from feedsim.motion.ramps import ramp_demand
from feedsim.records.on_carrier import on_carrier


class Landing(NamedTuple):
    """Offset and placement error (mm) and belt speed (mm/s), one per row."""

    offset_mm: Floats
    placement_error_mm: Floats
    belt_speed_mm_s: Floats


def landing(
    times: Floats, feeder: Feeder, *, belt: BeltMotion, leading_edge_mm: Floats, slip_mm: Floats
) -> Landing:
    """Return where inserts landed (s, NaN: none) on their carriers, shape (n,) (model, section 9).

    On their carriers by :func:`feedsim.records.on_carrier.on_carrier`.
    """
    travelled = belt.positions(times) - leading_edge_mm
    offset = on_carrier(travelled, eye_to_placement_mm=feeder.eye_to_placement_mm, slip_mm=slip_mm)
    return Landing(offset, offset - feeder.settings.target_offset_mm, belt.speeds(times))


def divert_by(divert: Divert | None, leading_edge_mm: Floats, *, belt: BeltMotion) -> Floats:
    """Return the latest time to know that a carrier must be diverted (s; model, section 17).

    The first instant at which it is ``decide_before`` short of the gate, less the time that the
    gate takes; infinite if it never gets there. Without a gate: no values. The belt is as it really
    moved.
    """
    if divert is None:
        return np.empty(0)
    places = leading_edge_mm + divert.decide_at_mm
    times: Floats = belt.times_at(places) - divert.gate_time_s
    return times


def demanded_acceleration(
    engage_s: Floats, opening_s: Floats, feeder: Feeder, *, belt: BeltMotion, encoder: Encoder
) -> Floats:
    """Return the larger acceleration that a cycle's two ramps demand of the drive (mm/s²).

    A cycle that has not opened has its ramp-in's demand (model, section 6).
    """
    clutch, ratio = feeder.clutch, feeder.settings.speed_ratio
    ramps = (engage_s, clutch.ramp_in), (opening_s, clutch.ramp_out)
    one, other = (
        demand_at(ticks, length, feeder, ratio=ratio, belt=belt, encoder=encoder)
        for ticks, length in ramps
    )
    return np.fmax(one, other)


def demand_at(
    ticks: Floats,
    length: float,
    feeder: Feeder,
    *,
    ratio: float,
    belt: BeltMotion,
    encoder: Encoder,
) -> Floats:
    """Return the acceleration that ramps of a length demand of the drive (mm/s²), shape of ticks.

    That of the counted belt speed as the ramp starts, ``command_delay`` after its tick (s, NaN for
    none).
    """
    speed = belt.speeds(ticks + feeder.servo.command_delay_s) / encoder.scale
    return ramp_demand(speed, length, ratio=ratio, travel_ramp=feeder.clutch.travel_ramp)
