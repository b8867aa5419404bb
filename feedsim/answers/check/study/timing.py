"""Warnings about time: cycles, delays, ticks, the drive."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.check.study.checked_feeder import SIGMAS, CheckedFeeder
from feedsim.machine import SIDES
from feedsim.metrics.percent import percent
from feedsim.quantities import noun_for
from feedsim.running.run import criteria_of
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_jams import overloads
from feedsim.settings.mechanisms_missed import feed_cycle
from feedsim.settings.nominal_cycle import no_cycle_because, run_up_time
from feedsim.settings.predict import cycle_time, largest_demand, late_share
from feedsim.settings.right import solve_feeder
from feedsim.settings.solve import auto_feeder

_TIGHT = 0.9
_REGULAR = 0.1
_COARSE = 0.1
_LITTLE_FEEDFORWARD = 0.05
_CRAWL_MM_S = 1e-3
_SAME_LEAD_S = 2e-5


def cycle(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a cycle that does not fit the carrier pitch, at this speed or at any."""
    cycle = cycle_time(s.here)
    whole = cycle + s.machine.controller.motion_cycle_s
    c = s.machine.carriers
    every = c.pitch_mm / s.speed
    if cycle >= every:
        slow = cycle_time(FeederAtSpeed(s.machine, s.feeder, _CRAWL_MM_S)) * _CRAWL_MM_S
        helps = (
            "No lower speed helps: raise the speed ratio, shorten the gap between inserts, or "
            "widen the carrier pitch."
            if slow >= c.pitch_mm
            else "Lower the speed, shorten the gap between inserts or the ramps, or widen the "
            "carrier pitch."
        )
        yield (
            f"A feed cycle takes {s.say(cycle, 'time')} {s.at_speed}, but a carrier comes every "
            f"{s.say(every, 'time')}: the feeder cannot keep up, and many carriers will be missed "
            f"or served late. {helps}"
        )
        return
    share = feed_cycle(s.here, criteria_of(s.scenario))
    if share > s.scenario.acceptance.missed:
        how = (
            "wait for the feeder until they are out of reach, and are lost"
            if s.machine.controller.not_ready_engages
            else "come during a cycle, and are lost"
        )
        yield (
            f"A feed cycle takes {s.say(cycle, 'time')} {s.at_speed}; {percent(share)} of the "
            f"carriers {how} ({percent(s.scenario.acceptance.missed)} may be missed)."
        )
    elif whole > _TIGHT * every and c.arrival.gap is not None:
        yield (
            f"A feed cycle takes {s.say(whole, 'time')} of the {s.say(every, 'time')} between "
            f"carriers {s.at_speed}: a little spread in the pitch or a misfeed will cost carriers."
        )


def late_marks(s: CheckedFeeder) -> Iterator[str]:
    """Warn of marks that are known too late."""
    scan = s.machine.controller.scan_s
    travel = s.here.engage_travel_mm
    share = late_share(s.here, travel, scanned=s.machine.carrier_eye.scanned)
    if share > 0.0:
        yield (
            f"Late marks: the clutch has to close {s.say(travel)} of belt travel after the mark "
            f"{s.at_speed}, and the belt covers {s.say(s.here.counted_mm_s * scan)} in one scan. "
            f"About {percent(share)} of the marks will be known too late. Move the carrier eye "
            f"upstream or scan faster."
        )


def late_openings(s: CheckedFeeder) -> Iterator[str]:
    """Warn of openings that are known too late."""
    travel = s.here.opening_travel_mm
    share = late_share(s.here, travel, scanned=s.feeder.eye.scanned)
    if share > 0.0:
        when = "after" if travel >= 0.0 else "before"
        shorten = ", shorten its input filter" if s.feeder.eye.filter_s > 0.0 else ""
        yield (
            f"Late openings: the clutch has to open {s.say(abs(travel))} of belt travel {when} the "
            f"insert eye switches {s.at_speed}, before the program may know of it "
            f"({percent(share)} of the cycles). The insert is then staged too far. Stage further "
            f"from the eye{shorten} or scan faster."
        )


def leads(s: CheckedFeeder) -> Iterator[str]:
    """Warn of leads that differ from the sum of the delays.

    With a short engage lead the placement walks later with speed; with a short disengage lead the
    stage walks on and inserts come earlier: equal shortfalls cancel in the placement.
    """
    given, right = s.feeder.settings, solve_feeder(s.machine, s.feeder)
    auto = auto_feeder(s.machine, s.feeder)
    stage = right.disengage_lead_s - given.disengage_lead_s
    placement = right.engage_lead_s - given.engage_lead_s
    if not given.stage_correction:
        placement -= stage
    walks = (("placement", placement), ("stage position", given.speed_ratio * stage))
    for side, (what, off) in zip(SIDES, walks, strict=True):
        have, want, best = (x.side(side).lead_s for x in (given, right, auto))
        walk, name = abs(off) * s.speed, f"{side}_lead"
        if min(abs(want - have), abs(best - have)) <= _SAME_LEAD_S:
            continue
        tells = f"{name} is {s.say(have, 'time')}, while the delays add up to {s.say(want, 'time')}"
        if what == "placement" and abs(off) <= _SAME_LEAD_S:
            yield f"{tells}. The stage walks by as much, so the {what} holds on average."
        else:
            yield (
                f"{tells}: the {what} will walk with speed, by {s.say(walk)} from standstill to "
                f"{s.say(s.speed, 'speed')}."
            )


def run_up(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a run-up too short for the ramp, or for the lag to settle."""
    f = s.feeder
    ramp, _ = f.clutch.ramps_s(s.here.counted_mm_s)
    if run_up_time(s.here, f.run_up_mm) < ramp:
        yield (
            f"The run-up is too short: {s.at_speed} an insert lands before the ramp-in has ended, "
            f'slower than the belt. "auto" is then right at line.speed only. Shorten the ramp-in, '
            f"or stage further from the placement point."
        )
        return
    if solve_feeder(s.machine, f).unsettled:
        yield (
            f"The ramp-in or the servo's lag is not over when an insert lands, or when the next "
            f'one comes to its eye, {s.at_speed}: distances that "auto" stands for allow for it '
            f"at line.speed, and are off at other speeds."
        )


def no_cycle(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a cycle that has no right settings."""
    reason = no_cycle_because(s.here)
    if reason:
        yield (
            f"The ramps are longer than the cycle {s.at_speed}: {reason}. Distances that "
            f'"auto" stands for assume ramps and lags over in time, and are off. Slow down, or '
            f"shorten the ramps."
        )


def drive(s: CheckedFeeder) -> Iterator[str]:
    """Warn of ramps that ask too much of the drive."""
    limit, most = s.feeder.servo.max_acceleration_mm_s2, largest_demand(s.here)
    if overloads(s.here):
        asked = "an infinite acceleration (a step)"
        if most < math.inf:
            asked = s.say(most, "acceleration")
        yield (
            f"Drive overload: the ramps ask for {asked} {s.at_speed}, and the drive allows "
            f"{s.say(limit, 'acceleration')}. Lengthen the ramps."
        )


def loop_gain(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a position loop too fast for the motion cycle.

    A loop of gain K closed every T, its output held in between, multiplies its error by 1 − K·T:
    it is stable for K·T < 2 and does not swing up to 1; with one more period of delay,
    z² − z + K·T, it is stable for K·T < 1 (Franklin, Powell, Workman, Digital Control of Dynamic
    Systems).
    """
    gain, cycle = s.feeder.servo.loop_gain_per_s, s.machine.controller.motion_cycle_s
    product = gain * cycle
    if not 1.0 < product < math.inf:
        return
    does = (
        "does not settle: each correction is larger than the error" if product >= 2.0 else "swings"
    )
    yield (
        f"The loop gain of {s.say(gain, 'rate')} is too much for a loop that is closed once in a "
        f"motion cycle of {s.say(cycle, 'time')}: gain times cycle is {product:.3g}, and "
        f"{'from 2 on' if product >= 2.0 else 'beyond 1'} such a loop {does} "
        f"(with a further cycle of delay it does not settle beyond 1). The servo modelled here "
        f"follows without steps and does not show it. Lower the gain, unless the drive closes the "
        f"loop itself, faster."
    )


def feedforward(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a velocity feedforward so small that a fraction may have been meant."""
    share = s.feeder.servo.velocity_feedforward
    if not 0.0 < share < _LITTLE_FEEDFORWARD or math.isinf(s.feeder.servo.loop_gain_per_s):
        return
    fraction = 100.0 * share  # the number that was written
    meant = (
        f'If the fraction {fraction:.3g} was meant, write "{100.0 * fraction:.4g} %"; without'
        if fraction <= 1.0
        else "Without"
    )
    yield (
        f"A velocity feedforward of {s.say(share, 'share')} is next to none: the feed lags by "
        f'nearly speed over loop gain. {meant} feedforward, write "0 %".'
    )


def memory(s: CheckedFeeder) -> Iterator[str]:
    """Warn if the mark memory is too small when carriers come closest."""
    c, line = s.machine.carriers, s.machine.line
    slowest = min([v for _, v in line.profile]) if line.profile else line.speed_mm_s
    travel = FeederAtSpeed(s.machine, s.feeder, slowest).engage_travel_mm
    needed = c.arrival.most_within(travel, SIGMAS)
    places = s.machine.controller.mark_memory
    if needed > places:
        yield (
            f"Up to {needed} carriers can be between mark and engage point at once, but the mark "
            f"memory has {places} {noun_for(places, 'place')}: marks will be lost."
        )


def aliasing(s: CheckedFeeder) -> Iterator[str]:
    """Warn of cards so regular that they beat with the ticks."""
    controller = s.machine.controller
    scanned = s.machine.carrier_eye.scanned or s.feeder.eye.scanned
    tick = max(controller.motion_cycle_s, controller.scan_s if scanned else 0.0)
    needed = _REGULAR * max(s.speed * tick, s.machine.encoder.count_mm)
    if needed == 0.0:
        return
    c, ins = s.machine.carriers, s.feeder.inserts
    steady = [] if c.arrival.sd_mm >= needed else ["carrier.pitch_sd"]
    if steady and c.arrival.in_order:
        steady = ["the spread of carrier.record"]
    if ins.gap_sd_mm < needed:
        steady.append(f"feeder.{s.number}.insert.gap_sd")
    if steady:
        yield (
            f"{' and '.join(steady)} {'is' if len(steady) == 1 else 'are'} below "
            f"{s.say(needed)}, a tenth of the belt travel of a tick or count {s.at_speed}: cards "
            f"so regular beat with the ticks, and the error may sit at one value that the phase "
            f"sets. Give the spread of the real line."
        )


def locked_counts(s: CheckedFeeder) -> Iterator[str]:
    """Warn of counts locked to the ticks, where that shows in the placement.

    If a motion cycle is a whole number of counts, a count keeps its place between the ticks for the
    whole run, and the mean depends on that place by up to half a count.
    """
    q, cycle = s.machine.encoder.count_mm, s.machine.controller.motion_cycle_s
    if q == 0.0 or cycle == 0.0 or q <= _COARSE * s.scenario.acceptance.placement_tolerance:
        return
    counts = s.here.counted_mm_s * cycle / q
    cycles = s.scenario.run.carriers * s.machine.carriers.pitch_mm / (s.speed * cycle)
    if round(counts) >= 1 and abs(counts - round(counts)) * cycles < 1.0:
        yield (
            f"A motion cycle is {round(counts)} encoder counts of {s.say(q)} {s.at_speed}, to the "
            f"count: ticks and counts are locked, and the mean error of a run lies up to "
            f"{s.say(0.5 * q)} to either side, as chance starts it. Run other seeds, or a finer "
            f"wheel."
        )
    elif round(counts) >= 1:
        yield from _slow_beat(s, s.speed * cycle / abs(counts - round(counts)))


def _slow_beat(s: CheckedFeeder, beat_mm: float) -> Iterator[str]:
    """Warn of counts that drift slowly against the ticks, with cards too regular to mix the phases.

    ``beat_mm``: the belt travel after which counts and ticks are in the same phase again,
    v·cycle·q/|v·cycle − n·q|.
    """
    if min(s.feeder.inserts.gap_sd_mm, s.machine.carriers.arrival.sd_mm) < _REGULAR * beat_mm:
        yield (
            f"Encoder counts and ticks meet in the same phase only every {s.say(beat_mm)} of belt "
            f"travel {s.at_speed}: with cards as regular as these the errors of carriers in a row "
            f"are alike, and the mean of a short run is one of several. Run more carriers, or a "
            f"finer wheel."
        )


def search(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a search limit that one misfeed, or every search, reaches."""
    pitch = s.feeder.inserts.pitch_mm
    limit, staged = s.machine.controller.search_limit_mm, s.feeder.settings.stage_position_mm
    if limit < pitch - staged:
        yield (
            f"The search limit of {s.say(limit)} ends every search before the next insert "
            f"({s.say(pitch - staged)} on) comes to its eye: nothing is ever staged again."
        )
    elif limit < 2.0 * pitch - staged:
        yield (
            f"The search limit of {s.say(limit)} ends a search before a second insert "
            f"({s.say(2.0 * pitch - staged)} on) comes to its eye: one misfeed empties the feeder "
            f"for good."
        )
