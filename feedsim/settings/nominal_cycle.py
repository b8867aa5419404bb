"""One feed cycle as it runs on average, with every ramp and lag that is left of the one before.

The closed form of the right settings counts on a ramp that has ended and a lag that has settled
whenever an edge comes to its eye or an insert lands. This is what happens where that is not so.
"""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.machine import Feeder, Machine
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.nominal import clipped_slip_mean

__all__ = ["NominalCycle", "nominal_cycle"]

_CYCLES = 8


@dataclass(frozen=True, slots=True)
class NominalCycle:
    """Times of a cycle in a row of equal ones (s from the tick that closes the clutch).

    ``edge_s``: the next insert's edge passes its eye. ``opening_s``: the tick at which the
    clutch has to open so that it rests at the stage position. ``landing_s``: the insert lands.
    """

    edge_s: float
    opening_s: float
    landing_s: float


def nominal_cycle(machine: Machine, feeder: Feeder, *, speed: float) -> NominalCycle | None:
    """Return the cycle that follows many equal ones, every card nominal.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
        Its stage position is where inserts rest; distances and leads do not matter.
    speed : float
        Controller speed (mm/s), steady.

    Returns
    -------
    NominalCycle or None
        None where the clutch would have to open before it has closed, or an insert lands only
        in the next cycle.
    """
    settings, clutch, ins = feeder.settings, feeder.clutch, feeder.inserts
    pitch, g = ins.length_mm + ins.gap_mm, settings.speed_ratio
    ramp_in, ramp_out = (
        Ramp(clutch.ramp_in, clutch.travel_ramp),
        Ramp(clutch.ramp_out, clutch.travel_ramp),
    )
    seconds = 1.0 / speed if clutch.travel_ramp else 1.0
    opening = pitch / (g * speed) + 0.5 * seconds * (clutch.ramp_in - clutch.ramp_out)
    if opening < seconds * clutch.ramp_in:
        return None
    busy = opening + seconds * clutch.ramp_out + feeder.servo.command_delay_s + clutch.settle_s
    period = max(machine.carriers.pitch_mm / speed, busy)
    feed = FeedMotion(
        BeltMotion([BeltPiece(0.0, 0.0, speed, 0.0)]), scale_error=0.0, ratio=g, servo=feeder.servo
    )
    delay = feeder.servo.command_delay_s
    for number in range(_CYCLES):
        feed.engage(number * period + delay, ramp_in)
        feed.open(number * period + opening + delay, ramp_out)
    last = _CYCLES - 1
    # beyond the last opening the feed is engaged again in time for what is still to land
    feed.engage((last + 1) * period + delay, ramp_in)
    start, ran = last * period, last * pitch
    landing = ran + feeder.insert_eye_to_placement_mm - settings.stage_position_mm
    landing_s = feed.time_at(landing + clipped_slip_mean(ins)) - start
    if landing_s >= period:
        return None
    edge = ran + pitch - settings.stage_position_mm
    return NominalCycle(edge_s=feed.time_at(edge) - start, opening_s=opening, landing_s=landing_s)
