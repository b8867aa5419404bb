"""From a checked scenario to the machine in numbers, as the engine sees it."""

from __future__ import annotations

import math

from feedsim import machine
from feedsim.machine import Machine
from feedsim.scenario import feeder as keys
from feedsim.scenario.line import Eye
from feedsim.scenario.model import Scenario

__all__ = ["machine_from"]


def machine_from(scenario: Scenario) -> Machine:
    """Build the machine that a scenario describes.

    Parameters
    ----------
    scenario : Scenario
        A checked scenario.

    Returns
    -------
    Machine
        All in mm, s, mm/s and mm/s². Distances and leads that are ``"auto"`` are NaN: they
        are solved by a later stage, which has to replace them before a run. The speed ratio
        has the trim in it, and a virtual master has neither counts nor scale error.
    """
    return Machine(
        line=machine.Line(
            speed_mm_s=scenario.line.speed,
            acceleration_mm_s2=scenario.line.acceleration,
            profile=scenario.line.profile,
        ),
        encoder=_encoder(scenario),
        carriers=_carriers(scenario),
        carrier_eye=_eye(scenario.carrier_eye),
        controller=_controller(scenario),
        feeders=tuple(_feeder(feeder) for feeder in scenario.feeder),
        start_empty=scenario.run.start == "empty",
    )


def _encoder(scenario: Scenario) -> machine.Encoder:
    if scenario.run.master == "virtual":
        return machine.Encoder(count_mm=0.0, scale_error=0.0)
    encoder = scenario.line.encoder
    return machine.Encoder(
        count_mm=encoder.wheel_circumference / encoder.counts_per_rev,
        scale_error=encoder.scale_error,
    )


def _carriers(scenario: Scenario) -> machine.Carriers:
    carrier = scenario.carrier
    return machine.Carriers(
        length_mm=carrier.length,
        pitch_mm=carrier.pitch,
        pitch_sd_mm=carrier.pitch_sd,
        min_gap_mm=carrier.min_gap,
        random=carrier.arrival == "random",
        missing=carrier.missing,
        slip_mm=carrier.slip,
        slip_sd_mm=carrier.slip_sd,
    )


def _eye(eye: Eye) -> machine.Eye:
    return machine.Eye(
        response_s=eye.response,
        response_jitter_s=eye.response_jitter,
        off_response_s=eye.off_response,
        edge_sd_mm=eye.edge_sd,
        missed=eye.missed,
        scanned=eye.capture == "scanned",
    )


def _controller(scenario: Scenario) -> machine.Controller:
    controller = scenario.controller
    return machine.Controller(
        scan_s=controller.scan,
        motion_cycle_s=controller.motion_cycle,
        speed_filter_s=controller.speed_filter,
        search_limit_mm=controller.search_limit,
        mark_memory=controller.mark_memory,
        late_mark_engages=controller.late_mark == "engage",
        not_ready_engages=controller.not_ready == "engage",
    )


def _feeder(feeder: keys.Feeder) -> machine.Feeder:
    return machine.Feeder(
        eye_to_placement_mm=feeder.eye_to_placement,
        insert_eye_to_placement_mm=feeder.insert_eye_to_placement,
        grip_end_mm=feeder.grip_end,
        nose_limit_mm=feeder.nose_limit,
        jog_speed_mm_s=feeder.jog_speed,
        inserts=_inserts(feeder.insert),
        eye=_eye(feeder.eye),
        double_check=machine.DoubleCheck(
            finds=feeder.double_check.finds, false_alarm=feeder.double_check.false_alarm
        ),
        clutch=machine.Clutch(
            travel_ramp=feeder.clutch.ramp == "travel",
            ramp_in=feeder.clutch.ramp_in,
            ramp_out=feeder.clutch.ramp_out,
            settle_s=feeder.clutch.settle,
        ),
        servo=machine.Servo(
            loop_gain_per_s=feeder.servo.loop_gain,
            velocity_feedforward=feeder.servo.velocity_feedforward,
            max_acceleration_mm_s2=feeder.servo.max_acceleration,
            command_delay_s=feeder.servo.command_delay,
        ),
        settings=_settings(feeder.settings),
    )


def _inserts(insert: keys.Insert) -> machine.Inserts:
    return machine.Inserts(
        length_mm=insert.length,
        gap_mm=insert.gap,
        gap_sd_mm=insert.gap_sd,
        min_gap_mm=insert.min_gap,
        slip_mm=insert.slip,
        slip_sd_mm=insert.slip_sd,
        misfeed=insert.misfeed,
        double=insert.double,
    )


def _settings(settings: keys.Settings) -> machine.Settings:
    return machine.Settings(
        target_offset_mm=settings.target_offset,
        stage_position_mm=settings.stage_position,
        engage_distance_mm=_number(settings.engage_distance),
        engage_lead_s=_number(settings.engage_lead),
        disengage_distance_mm=_number(settings.disengage_distance),
        disengage_lead_s=_number(settings.disengage_lead),
        speed_ratio=settings.speed_ratio * (1.0 + settings.speed_trim),
        stage_correction=settings.stage_correction,
    )


def _number(setting: float | str) -> float:
    return math.nan if isinstance(setting, str) else setting
