"""Warnings about time: cycles, delays, ticks, the drive."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.settings.nominal import following_time
from feedsim.settings.predict import (
    cycle_time,
    engage_travel,
    late_opening_share,
    late_share,
    opening_travel,
)
from feedsim.settings.solve import solve_feeder
from feedsim.studies.setup import Setup

__all__ = [
    "aliasing",
    "cycle",
    "drive",
    "late_marks",
    "late_openings",
    "leads",
    "memory",
    "run_up",
    "search",
]

_TIGHT = 0.9
_CLEAR_ENOUGH_MM = 0.01
_SAME_LEAD_S = 2e-5


def cycle(s: Setup) -> Iterator[str]:
    """Warn of a cycle that does not fit the carrier pitch."""
    cycle = cycle_time(s.machine, s.feeder, speed=s.speed)
    whole = cycle + s.machine.controller.motion_cycle_s
    every = s.machine.carriers.pitch_mm / s.speed
    if cycle >= every:
        yield (
            f"A feed cycle takes {s.say(cycle, 'time')} {s.at_speed}, but a carrier comes every "
            f"{s.say(every, 'time')}: the feeder cannot keep up, and every second carrier or more "
            f"will be missed (not staged). Lower the speed, shorten the gap between inserts or the "
            f"ramps, or widen the carrier pitch."
        )
    elif whole > _TIGHT * every and not s.machine.carriers.random:
        yield (
            f"A feed cycle takes {s.say(whole, 'time')} of the {s.say(every, 'time')} between "
            f"carriers {s.at_speed}: spread in the pitch or a misfeed will cost carriers."
        )


def late_marks(s: Setup) -> Iterator[str]:
    """Warn of marks that are known too late."""
    scan = s.machine.controller.scan_s
    travel = engage_travel(s.machine, s.feeder, speed=s.speed)
    share = late_share(
        travel,
        counted_speed=s.counted_speed,
        scan_s=scan,
        scanned=s.machine.carrier_eye.scanned,
    )
    if share > 0.0:
        yield (
            f"Late marks: the clutch has to close {s.say(travel)} of belt travel after the mark "
            f"{s.at_speed}, and the belt covers {s.say(s.counted_speed * scan)} in one scan. About "
            f"{s.percent(share)} of the marks will be known too late. Move the carrier eye "
            f"upstream or scan faster."
        )


def late_openings(s: Setup) -> Iterator[str]:
    """Warn of openings that are known too late."""
    share = late_opening_share(s.machine, s.feeder, speed=s.speed)
    if share > 0.0:
        travel = opening_travel(s.machine, s.feeder, speed=s.speed)
        yield (
            f"Late openings: the clutch has to open {s.say(travel)} of belt travel after the "
            f"insert eye switches {s.at_speed}, before the program may know of it "
            f"({s.percent(share)} of the cycles). The insert is then staged too far. Stage further "
            f"from the eye or scan faster."
        )


def leads(s: Setup) -> Iterator[str]:
    """Warn of leads that are not what the delays add up to.

    A short engage lead lets the placement walk later with speed, a short disengage lead lets
    the stage walk on, so that inserts come earlier: equal shortfalls cancel in the placement.
    """
    given, right = s.feeder.settings, solve_feeder(s.machine, s.feeder)
    stage = right.disengage_lead_s - given.disengage_lead_s
    placement = right.engage_lead_s - given.engage_lead_s
    if not given.stage_correction:
        placement -= stage
    for name, what, have, want, off in (
        ("engage_lead", "placement", given.engage_lead_s, right.engage_lead_s, placement),
        (
            "disengage_lead",
            "stage position",
            given.disengage_lead_s,
            right.disengage_lead_s,
            given.speed_ratio * stage,
        ),
    ):
        walk = abs(off) * s.speed
        if abs(want - have) <= _SAME_LEAD_S:
            continue
        tells = f"{name} is {s.say(have, 'time')}, while the delays add up to {s.say(want, 'time')}"
        if what == "placement" and abs(off) <= _SAME_LEAD_S:
            yield f"{tells}. The stage walks by as much, so that the {what} holds on average."
        else:
            yield (
                f"{tells}: the {what} will walk with speed, by {s.say(walk)} from standstill to "
                f"{s.say(s.speed, 'speed')}."
            )


def run_up(s: Setup) -> Iterator[str]:
    """Warn of a run-up too short for the ramp, or for the lag to settle."""
    f, v = s.feeder, s.counted_speed
    if solve_feeder(s.machine, f).run_up_too_short:
        yield (
            f"The run-up is too short: at {s.say(s.machine.line.speed_mm_s, 'speed')} an insert "
            f"lands before the ramp-in has ended. Its settings are right at that speed only, and "
            f"it lands slower than the belt."
        )
        return
    gain, g = f.servo.loop_gain_per_s, f.settings.speed_ratio
    if gain == math.inf:
        return
    ramp = f.clutch.ramp_in / v if f.clutch.travel_ramp else f.clutch.ramp_in
    run_up = f.insert_eye_to_placement_mm - f.settings.stage_position_mm
    after = run_up / (g * v) - 0.5 * ramp + following_time(f.servo)
    lag = (1.0 - f.servo.velocity_feedforward) * v / gain * math.exp(-gain * max(after, 0.0))
    if ramp > 0.0:
        lag *= -math.expm1(-gain * ramp) / (gain * ramp)
    if lag > _CLEAR_ENOUGH_MM:
        yield (
            f"The servo has not settled when the insert lands {s.at_speed}: it still leads its "
            f"steady lag by {s.say(lag)}, so that it lands that much early."
        )


def drive(s: Setup) -> Iterator[str]:
    """Warn of ramps that ask too much of the drive."""
    f, v = s.feeder, s.counted_speed
    limit = f.servo.max_acceleration_mm_s2
    g, most = f.settings.speed_ratio, 0.0
    for length in (f.clutch.ramp_in, f.clutch.ramp_out):
        way = v * v if f.clutch.travel_ramp else v
        most = max(most, g * way / length if length > 0.0 else math.inf)
    if most > limit:
        asked = "an infinite acceleration (a step)"
        if most < math.inf:
            asked = s.say(most, "acceleration")
        yield (
            f"Drive overload: the ramps ask for {asked} {s.at_speed}, and the drive allows "
            f"{s.say(limit, 'acceleration')}. Lengthen the ramps."
        )


def memory(s: Setup) -> Iterator[str]:
    """Warn of more marks under way than the memory holds."""
    travel = engage_travel(s.machine, s.feeder, speed=s.speed)
    needed = math.ceil(travel / s.machine.carriers.pitch_mm)
    places = s.machine.controller.mark_memory
    if needed > places:
        yield (
            f"Some {needed} carriers are between mark and engage point at once, but the mark "
            f"memory has {places} places: marks will be lost."
        )


def _beat(s: Setup) -> float:
    """Return after how long the ticks that a card meets repeat (s).

    One motion cycle; but where an eye is scanned and the scan is no multiple of the cycle, scan
    and motion ticks fall together again only after their least common multiple.
    """
    scan, cycle = s.machine.controller.scan_s, s.machine.controller.motion_cycle_s
    if cycle == 0.0 or not (s.machine.carrier_eye.scanned or s.feeder.eye.scanned):
        return cycle
    common_ns = math.lcm(round(scan * 1e9), round(cycle * 1e9))
    return cycle if round(scan * 1e9) == common_ns else common_ns * 1e-9


def aliasing(s: Setup) -> Iterator[str]:
    """Warn of cards so regular that they beat with the ticks."""
    needed = max(s.speed * _beat(s), s.machine.encoder.count_mm)
    if needed == 0.0:
        return
    c, ins = s.machine.carriers, s.feeder.inserts
    steady = [] if c.random or c.pitch_sd_mm >= needed else ["carrier.pitch_sd"]
    if ins.gap_sd_mm < needed:
        steady.append(f"feeder.{s.number}.insert.gap_sd")
    if steady:
        yield (
            f"{' and '.join(steady)} {'is' if len(steady) == 1 else 'are'} below "
            f"{s.say(needed)}, the belt travel of a count or of the beat of the ticks "
            f"{s.at_speed}: cards so regular beat with the ticks, and the error "
            f"may sit at one value that the phase sets. Give the spread that the line has."
        )


def search(s: Setup) -> Iterator[str]:
    """Warn of a search limit that one misfeed reaches."""
    pitch = s.feeder.inserts.length_mm + s.feeder.inserts.gap_mm
    limit = s.machine.controller.search_limit_mm
    if limit < 2.0 * pitch - s.feeder.settings.stage_position_mm:
        yield (
            f"The search limit of {s.say(limit)} ends a search before a second insert "
            f"({s.say(pitch)} on) comes to its eye: one misfeed empties the feeder for good."
        )
