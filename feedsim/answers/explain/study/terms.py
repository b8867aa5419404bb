"""What right distances and leads are made of where ramp and lag are over in time.

The sums that MODEL.md, section 13, states. A carrier's story holds its own delays against these
terms, one by one, so it needs them apart from what is set.
"""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.machine import Feeder, Machine
from feedsim.settings.nominal import clipped_slip_mean, eye_delay, following_time

__all__ = ["Terms", "terms_of"]


@dataclass(frozen=True, slots=True)
class Terms:
    """Sums of the terms: distances in mm of counted travel, leads in seconds."""

    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float


def terms_of(machine: Machine, feeder: Feeder) -> Terms:
    """Return the sums of the terms of one feeder's settings.

    With R = S − stage target, d an eye's delay, τ the lag, T a ramp's time or A its travel:
    engage distance D + target − R/g − A_in/2 + q/2 + mean carrier slip − mean insert slip/g,
    engage lead d + τ + command delay + T_in/2 + cycle/2; disengage distance
    stage/g − A_out/2 + q/2, disengage lead d + τ + command delay + T_out/2 + cycle/2.
    """
    controller, clutch, servo = machine.controller, feeder.clutch, feeder.servo
    settings, g = feeder.settings, feeder.settings.speed_ratio
    half_count = 0.5 * machine.encoder.count_mm
    common = following_time(servo) + servo.command_delay_s + 0.5 * controller.motion_cycle_s
    run_up = feeder.insert_eye_to_placement_mm - settings.stage_position_mm
    run_up += clipped_slip_mean(feeder.inserts)
    way = feeder.eye_to_placement_mm + settings.target_offset_mm + machine.carriers.slip_mm
    engage, disengage = way - run_up / g + half_count, settings.stage_position_mm / g + half_count
    in_s, out_s = 0.5 * clutch.ramp_in, 0.5 * clutch.ramp_out
    if clutch.travel_ramp:
        engage, disengage, in_s, out_s = engage - in_s, disengage - out_s, 0.0, 0.0
    return Terms(
        engage_distance_mm=engage,
        engage_lead_s=eye_delay(machine.carrier_eye, controller) + common + in_s,
        disengage_distance_mm=disengage,
        disengage_lead_s=eye_delay(feeder.eye, controller) + common + out_s,
    )
