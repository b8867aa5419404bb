"""From a checked scenario to the machine in numbers, as the engine sees it."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from feedsim import machine
from feedsim.machine import Machine
from feedsim.scenario import drive as drive_keys
from feedsim.scenario import feeder as keys
from feedsim.scenario.carrier import Carrier
from feedsim.scenario.line import Eye
from feedsim.scenario.model import Scenario
from feedsim.scenario.product import Divert
from feedsim.scenario.ratio import typed_ratio
from feedsim.scenario.stopping import supervision_of

if TYPE_CHECKING:
    from feedsim.arrivals import Arrival


def machine_from(scenario: Scenario) -> Machine:
    """Build the machine that a scenario describes, in mm, s, mm/s and mm/s².

    Distances and leads that are ``"auto"`` are NaN: they must be solved before a run. The speed
    ratio includes the trim, and a virtual master has neither counts nor scale error. Recorded
    carriers have the pitch, spread and smallest gap of their record.
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
        feeders=tuple(_feeder(feeder, scenario) for feeder in scenario.feeder),
        start_empty=scenario.run.start == "empty",
        supervision=supervision_of(scenario),
        divert=_divert(scenario.divert),
    )


def _divert(divert: Divert | None) -> machine.Divert | None:
    if divert is None:
        return None
    return machine.Divert(
        at_mm=divert.at,
        decide_before_mm=divert.decide_before,
        gate_time_s=divert.gate_time,
        missed=divert.missed,
        doubled=divert.doubled,
        late=divert.late,
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
        arrival=_arrival(carrier),
        missing=carrier.missing,
        slip_mm=carrier.slip,
        slip_sd_mm=carrier.slip_sd,
    )


def _arrival(carrier: Carrier) -> Arrival:
    from feedsim.arrivals import Paced, RandomGaps, Recorded  # whose NumPy reading goes without

    if carrier.record:
        mean, sd = _mean_and_sd(carrier.record)
        return Recorded(
            carrier.length,
            mean,
            sd,
            max(0.0, min(carrier.record) - carrier.length),
            record_mm=carrier.record,
            repeats=carrier.after_record == "repeat",
        )
    if carrier.pitch is None:
        raise ValueError("carriers need a pitch or a record")
    law = RandomGaps if carrier.arrival == "random" else Paced
    return law(carrier.length, carrier.pitch, carrier.pitch_sd, carrier.min_gap)


@lru_cache(maxsize=8)
def _mean_and_sd(record: tuple[float, ...]) -> tuple[float, float]:
    """Return mean and sample standard deviation (0 for a single value)."""
    mean = math.fsum(record) / len(record)
    squares = math.fsum((value - mean) ** 2 for value in record)
    return mean, math.sqrt(squares / max(1, len(record) - 1))


def _eye(eye: Eye) -> machine.Eye:
    return machine.Eye(
        response_s=eye.response,
        response_jitter_s=eye.response_jitter,
        off_response_s=eye.off_response,
        edge_sd_mm=eye.edge_sd,
        missed=eye.missed,
        scanned=eye.capture != "latched",
        polled=eye.capture == "polled",
        filter_s=eye.filter_time,
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


def _feeder(feeder: keys.Feeder, scenario: Scenario) -> machine.Feeder:
    return machine.Feeder(
        eye_to_placement_mm=feeder.eye_to_placement,
        insert_eye_to_placement_mm=feeder.insert_eye_to_placement,
        grip_end_mm=feeder.grip_end,
        nose_limit_mm=feeder.nose_limit,
        jog_speed_mm_s=feeder.jog_speed,
        inserts=_inserts(feeder.insert),
        eye=_eye(feeder.eye),
        double_check=machine.DoubleCheck(
            finds=feeder.double_check.finds,
            false_alarm=feeder.double_check.false_alarm,
            stops=feeder.double_check.action == "stop",
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
            max_acceleration_mm_s2=_number(feeder.servo.max_acceleration),
            command_delay_s=feeder.servo.command_delay,
        ),
        settings=_settings(feeder.settings, scenario),
        drive=None if feeder.drive is None else _drive(feeder.drive, feeder.insert),
    )


def _drive(drive: drive_keys.Drive, insert: keys.Insert) -> machine.Drive:
    travel = drive.pull_off_travel
    names = [motor.name for motor in drive.motor]
    return machine.Drive(
        roller_diameter_mm=drive.roller_diameter,
        rollers=tuple(
            machine.Roller(
                diameter_mm=roller.diameter,
                bore_mm=roller.bore,
                length_mm=roller.length,
                density_kg_m3=roller.density,
                inertia_kg_m2=roller.inertia,
                count=roller.count,
            )
            for roller in drive.roller
        ),
        moving_mass_kg=drive.belt_mass + drive.inserts_carried * drive.insert_mass,
        insert_mass_kg=drive.insert_mass,
        reductions=tuple(
            machine.Reduction(stage.ratio, stage.efficiency, stage.inertia)
            for stage in drive.reduction
        ),
        friction_torque_n_m=drive.friction_torque,
        pull_off_force_n=drive.pull_off_force,
        pull_off_from_mm=drive.pull_off_from,
        pull_off_travel_mm=insert.length if isinstance(travel, str) else travel,
        friction_coefficient=drive.friction_coefficient,
        normal_force_n=drive.normal_force,
        service_factor=drive.service_factor,
        allowed_inertia_ratio=drive.allowed_inertia_ratio,
        motors=tuple(_motor(motor) for motor in drive.motor),
        chosen=names.index(drive.chosen) if drive.chosen else -1,
    )


def _motor(motor: drive_keys.Motor) -> machine.Motor:
    return machine.Motor(
        rated_torque_n_m=motor.rated_torque,
        peak_torque_n_m=motor.peak_torque,
        rated_speed_rpm=motor.rated_speed,
        max_speed_rpm=motor.max_speed,
        rotor_inertia_kg_m2=motor.rotor_inertia,
        rated_power_w=motor.rated_power,
        over_temperature_factor=motor.over_temperature_factor,
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
        magazine=insert.magazine,
        warning=insert.magazine_warning,
        refill_time_s=insert.refill_time,
    )


def _settings(settings: keys.Settings, scenario: Scenario) -> machine.Settings:
    return machine.Settings(
        target_offset_mm=settings.target_offset,
        stage_position_mm=settings.stage_position,
        engage_distance_mm=_number(settings.engage_distance),
        engage_lead_s=_number(settings.engage_lead),
        disengage_distance_mm=_number(settings.disengage_distance),
        disengage_lead_s=_number(settings.disengage_lead),
        speed_ratio=typed_ratio(settings) * (1.0 + settings.speed_trim),
        stage_correction=settings.stage_correction,
        resolution=_resolution(settings.resolution, scenario),
    )


def _resolution(steps: keys.Resolution, scenario: Scenario) -> machine.Resolution:
    encoder = scenario.line.encoder
    counts = steps.distance_counts * encoder.wheel_circumference / encoder.counts_per_rev
    return machine.Resolution(distance_mm=counts or steps.distance, lead_s=steps.lead)


def _number(setting: float | str) -> float:
    return math.nan if isinstance(setting, str) else setting
