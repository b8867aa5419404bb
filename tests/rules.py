"""How often each rule of the model came up in a run: what a comparison of two engines has seen."""

from __future__ import annotations

from collections import Counter

import numpy as np

from feedsim.machine import Eye, Feeder, Machine
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.outcome import Outcome


def rules_met(machine: Machine, records: RunRecords) -> Counter[str]:
    """Count the rules of MODEL.md, sections 2 to 11 and 17: in machines, else in rows."""
    seen = Counter({rule: int(there) for rule, there in _of_line(machine).items()})
    for feeder, rows in zip(machine.feeders, records.feeders, strict=True):
        seen.update({rule: int(there) for rule, there in _of_feeder(feeder).items()})
        seen.update(_of_rows(machine, feeder, rows))
    return seen


def _of_line(machine: Machine) -> dict[str, bool]:
    controller, arrival = machine.controller, machine.carriers.arrival
    return {
        "2 profile": bool(machine.line.profile),
        "2 no counts": machine.encoder.count_mm == 0.0,
        "2 scale error": machine.encoder.scale_error != 0.0,
        "2 speed filter": controller.speed_filter_s > 0.0,
        f"3 {type(arrival).__name__}": True,
        "3 missing": machine.carriers.missing > 0.0,
        "3 slip": machine.carriers.slip_mm > 0.0,
        "4 looks all the time": controller.scan_s == 0.0,
        "4 motion all the time": controller.motion_cycle_s == 0.0,
        "5 late mark engages": controller.late_mark_engages,
        "5 late mark skips": not controller.late_mark_engages,
        "5 not ready engages": controller.not_ready_engages,
        "5 not ready skips": not controller.not_ready_engages,
        "5 memory of one": controller.mark_memory == 1,
        "5 several feeders": len(machine.feeders) > 1,
        "8 starts empty": machine.start_empty,
        "17 divert": machine.divert is not None,
    } | _of_eye("carrier eye", machine.carrier_eye)


def _of_eye(name: str, eye: Eye) -> dict[str, bool]:
    return {
        f"4 {name} latched": not eye.scanned,
        f"4 {name} scanned": eye.scanned and not eye.polled,
        f"4 {name} polled": eye.polled,
        f"4 {name} filter": eye.filter_s > 0.0,
        f"4 {name} filter, polled": eye.polled and eye.filter_s > 0.0,
        f"4 {name} jitter": eye.response_jitter_s > 0.0,
    }


def _of_feeder(feeder: Feeder) -> dict[str, bool]:
    clutch, servo = feeder.clutch, feeder.servo
    return {
        "5 stage correction": feeder.settings.stage_correction,
        "6 ramp over time": not clutch.travel_ramp and clutch.ramp_in > 0.0,
        "6 ramp over travel": clutch.travel_ramp and clutch.ramp_in > 0.0,
        "6 step": clutch.ramp_in == 0.0,
        "6 lag": np.isfinite(servo.loop_gain_per_s),
        "6 rigid": np.isinf(servo.loop_gain_per_s),
        "6 command delay": servo.command_delay_s > 0.0,
        "6 speed ratio": feeder.settings.speed_ratio != 1.0,
        "7 slip": feeder.inserts.slip_mm > 0.0,
    } | _of_eye("insert eye", feeder.eye)


def _of_rows(machine: Machine, feeder: Feeder, rows: FeederRecords) -> dict[str, int]:
    """Return in how many rows each rule decided something."""
    engaged = rows.insert >= 0
    closed, opened = rows.engage_time_s, rows.opening_time_s
    later = np.roll(closed, -1)
    point_mm = feeder.insert_eye_to_placement_mm
    ramp_s = 0.0 if feeder.clutch.travel_ramp else feeder.clutch.ramp_in
    there = {f"11 {cause.cause}": rows.outcome == cause for cause in Outcome}
    there |= {
        "5 late engage": rows.late_engage > 0,
        "5 late mark is too far": (rows.outcome == Outcome.LATE_MARK)
        & machine.controller.late_mark_engages,
        "5 waits in vain": (rows.outcome == Outcome.NOT_STAGED)
        & machine.controller.not_ready_engages
        & ~engaged,
        "6 ramp-in cut short": opened - closed < ramp_s,
        "6 opens as it closes": opened == closed,
        "7 double": rows.double > 0,
        "7 called double": rows.called_double > 0,
        "8 stray": rows.strays > 0,
        "8 late opening": rows.late_opening > 0,
        "8 search ends without insert": engaged & np.isnan(rows.ready_time_s),
        "9 lands in a later cycle": (later > closed) & (rows.placement_time_s > later),
        "9 rests past the placement point": rows.stage_position_mm > point_mm,
        "10 nose strike": rows.stage_position_mm > feeder.nose_limit_mm,
        "10 tail held": rows.tail_mm < feeder.grip_end_mm,
        "11 engaged, never landed": engaged & np.isnan(rows.placement_time_s),
    }
    del there["11 line_stop"]  # only where something may stop the line
    return {rule: int(np.count_nonzero(where)) for rule, where in there.items()}
