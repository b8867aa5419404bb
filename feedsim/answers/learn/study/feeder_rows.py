"""What logs show of a feeder, against the scenario: one row per quantity, known or not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from feedsim.answers.learn.study.figures import ACTS, Finding, Learned, Subject, Travel
from feedsim.answers.learn.study.one_log import FeederInLog, InLog
from feedsim.answers.learn.study.rows import (
    NO_ENCODER,
    NO_SENSOR,
    OWN_DELAY,
    counted_share,
    less_unseen,
    named,
    of_all,
    scan_in_all,
    share_of_all,
)
from feedsim.answers.learn.study.sides import distance_and_lead
from feedsim.machine import Feeder, Machine, SideName
from feedsim.metrics.intervals import NORMAL_95
from feedsim.settings.nominal import engaged_time

_NO_TRAVEL = "no command or actual feed in the log"
_NO_COMMAND = "no commanded feed in the log"
_LIKE = 0.01
_UNLIKE = 0.001


def feeder_rows(logs: Sequence[InLog], machine: Machine, number: int) -> Iterator[Learned]:
    """Yield what is learned of one feeder, and what no log shows of it."""
    feeder = machine.feeders[number]
    parts = [log.feeders[number] for log in logs]
    yield from _insert_rows(parts, feeder, f"feeder.{number}")
    yield from _side_rows(logs, machine, number, "engage")
    yield from _side_rows(logs, machine, number, "disengage")
    yield from _ramp_rows(logs, feeder, number)
    yield from _servo_rows(parts, feeder, f"feeder.{number}.servo")
    yield from _time_rows(logs, feeder, number)
    delay = Subject(f"feeder.{number}.eye.response", "insert eye's own delay", "time")
    yield delay.untold(feeder.eye.response_s, OWN_DELAY)
    slip = Subject(f"feeder.{number}.insert.slip", "slip of inserts", "length")
    yield slip.untold(feeder.inserts.slip_mm, NO_SENSOR)
    lies = Subject("", "where the insert lies on the carrier", "length")
    yield lies.untold(None, NO_SENSOR)


def _insert_rows(parts: Sequence[FeederInLog], feeder: Feeder, path: str) -> Iterator[Learned]:
    ins = feeder.inserts
    gap = Subject(f"{path}.insert.gap", "gap of inserts", "length")
    spread = Subject(f"{path}.insert.gap_sd", "spread of that gap", "length")
    misfeed = Subject(f"{path}.insert.misfeed", "misfeeds", "share")
    seen = [part.inserts for part in parts if part.inserts is not None]
    mean = of_all(pitches.mean for pitches in seen)
    if mean is None:
        why = _NO_TRAVEL if not seen else "too few inserts in the log"
        yield gap.untold(ins.gap_mm, why)
        yield spread.untold(ins.gap_sd_mm, why)
        yield misfeed.untold(ins.misfeed, why)
    else:
        pitch = Subject("", "pitch of inserts", "length")
        yield pitch.told(mean, ins.pitch_mm)
        note = "with the scenario's insert length"
        yield gap.told(mean.scaled(1.0, -ins.length_mm), ins.gap_mm, note)
        sd = of_all(pitches.sd for pitches in seen)
        if sd is None:
            yield spread.untold(ins.gap_sd_mm, "too few inserts in a row")
        else:
            yield spread.told(sd, ins.gap_sd_mm)
        share = share_of_all(pitches.missing for pitches in seen)
        yield less_unseen(misfeed, share, ins.misfeed, unseen=feeder.eye.missed)
    counted = [part.strays for part in parts if part.strays is not None]
    if counted:
        strays, passed = (sum(pair[side] for pair in counted) for side in (0, 1))
        row = Subject("", "strays that the eye saw", "share")
        yield row.told(counted_share(strays, passed), None)


def travels_asked(
    logs: Sequence[InLog], number: int, side: SideName
) -> list[tuple[float, Finding, InLog]]:
    """Return belt speed (mm/s), travel from edge to act and log, of each log that shows it."""
    found = []
    for log in logs:
        part = log.feeders[number]
        acts = part.closings if side == "engage" else part.openings
        if log.belt is not None and acts is not None and acts.asked is not None:
            found.append((log.belt.speed.value, acts.asked, log))
    return found


def _side_rows(
    logs: Sequence[InLog], machine: Machine, number: int, name: SideName
) -> Iterator[Learned]:
    feeder = machine.feeders[number]
    s, path = feeder.settings, f"feeder.{number}.settings.{name}"
    distance_mm, lead_s = s.side(name)
    distance = Subject(f"{path}_distance", f"{name} distance", "length")
    lead = Subject(f"{path}_lead", f"{name} lead", "time")
    act = ACTS[name]
    told = travels_asked(logs, number, name)
    why = ""
    if not told:
        why = f"too few {act}s with an edge of their own, or no such signals in the log"
    elif not all(log.measured for _, _, log in told):
        why = NO_ENCODER
    elif name == "engage" and s.stage_correction:
        why = "with stage_correction each closing is shifted by where the insert was staged"
    if why:
        yield distance.untold(distance_mm, why)
        yield lead.untold(lead_s, why)
        return
    for speed, asked, log in told:
        row = Subject("", named(f"travel from edge to {act}", log, logs), "length")
        note = "what distance and lead ask for together at that speed"
        found = row.told(asked, s.travel_mm(name, speed), note)
        yield replace(found, travel=Travel(name, speed, log.number))
    speeds = np.array([speed for speed, _, _ in told])
    eye = machine.carrier_eye if name == "engage" else feeder.eye
    seen = scan_in_all(logs) if eye.scanned else None
    shared_s = 0.0 if seen is None else seen.waits_sd_s
    fit = distance_and_lead(speeds, [asked for _, asked, _ in told], shared_s=shared_s)
    if fit.distance is None or fit.lead is None:
        why = "one speed only: a log at another speed tells distance from lead"
        yield distance.untold(distance_mm, why)
        yield lead.untold(lead_s, why)
        return
    bent = fit.straight is not None and fit.straight < _UNLIKE
    note = "the travels do not lie on a straight line over the speed" if bent else ""
    yield distance.told(fit.distance, distance_mm, note)
    yield lead.told(fit.lead, lead_s, note)


def _ramp_rows(logs: Sequence[InLog], feeder: Feeder, number: int) -> Iterator[Learned]:
    clutch, path = feeder.clutch, f"feeder.{number}"
    parts = [(log, log.feeders[number]) for log in logs]
    fitted = [(log, part.ramps) for log, part in parts if part.ramps is not None]
    over_travel = clutch.travel_ramp
    kind = "length" if over_travel else "time"
    for name, what in (("ramp_in", "ramp in"), ("ramp_out", "ramp out")):
        row = Subject(f"{path}.clutch.{name}", what, kind)
        times = [getattr(ramps, name) for _, ramps in fitted]
        travels = [
            getattr(ramps, name).scaled(log.belt.speed.value) for log, ramps in fitted if log.belt
        ]
        usual, other = (travels, times) if over_travel else (times, travels)
        figure = of_all(usual)
        if figure is None:
            yield row.untold(getattr(clutch, name), _NO_COMMAND if not times else NO_ENCODER)
            continue
        note = ""
        if _alike(usual) < _UNLIKE and _alike(other) > _LIKE:
            note = (
                f"logs at several speeds show a ramp over a {'time' if over_travel else 'travel'}"
            )
        yield row.told(figure, getattr(clutch, name), note)
    delay = of_all(part.delay for _, part in parts)
    row = Subject(f"{path}.servo.command_delay", "command delay", "time")
    has = feeder.servo.command_delay_s
    yield row.untold(has, _NO_COMMAND) if delay is None else row.told(delay, has)
    ratio = of_all(
        ramps.speed.scaled(1.0 / log.belt.speed.value)
        for log, ramps in fitted
        if log.belt is not None and log.measured
    )
    if ratio is not None:
        row = Subject("", "speed ratio, trim in it", "ratio")
        yield row.told(ratio, feeder.settings.speed_ratio)


def _alike(figures: Sequence[Finding]) -> float:
    """Return the probability of figures this far apart if they measure the same thing (χ²)."""
    from scipy.special import chdtrc

    mean = of_all(figures)
    if mean is None or len(figures) < 2:
        return 1.0
    squares = sum(((f.value - mean.value) / max(f.sd, 1e-12)) ** 2 for f in figures)
    return float(chdtrc(len(figures) - 1, squares))


def _servo_rows(parts: Sequence[FeederInLog], feeder: Feeder, path: str) -> Iterator[Learned]:
    servo = feeder.servo
    rigid = not math.isfinite(servo.loop_gain_per_s)
    has = None if rigid else servo.loop_gain_per_s
    forward_has = None if rigid else servo.velocity_feedforward
    gain = Subject(f"{path}.loop_gain", "loop gain", "rate")
    forward = Subject(f"{path}.velocity_feedforward", "velocity feedforward", "share")
    seen = [part.servo for part in parts if part.servo is not None]
    gains = of_all(found.loop_gain for found in seen)
    forwards = of_all(found.feedforward for found in seen)
    if gains is None or forwards is None:
        why = "no command and actual feed of one kind in the log"
        if seen:
            why = "the log shows no lag of the feed"
        yield gain.untold(has, why)
        yield forward.untold(forward_has, why)
        return
    row = gain.told(gains, has, "the scenario has a feed that does not lag" if rigid else "")
    yield replace(row, verdict="differs") if rigid else row
    yield forward.told(forwards, forward_has)


def _time_rows(logs: Sequence[InLog], feeder: Feeder, number: int) -> Iterator[Learned]:
    settle = Subject(f"feeder.{number}.clutch.settle", "settle time", "time")
    has = feeder.clutch.settle_s
    bounds = []
    for log in logs:
        part = log.feeders[number]
        if part.busy is not None:
            over, half = _ramp_over_s(log, part, feeder)
            low = None if part.busy.low is None else part.busy.low - over
            bounds.append((low, max(0.0, part.busy.high - over), half, part.busy.n))
    if not bounds:
        yield settle.untold(has, "too few closings after an opening, each with its own mark")
    else:
        whole = all(log.feeders[number].ramps is not None for log in logs)
        note = "" if whole else "with the scenario's ramp-out and command delay"
        correction = feeder.settings.stage_correction
        yield _settled(settle, has, bounds, note, correction=correction)
    for log in logs:
        part = log.feeders[number]
        if part.engaged is not None and log.belt is not None:
            row = Subject("", named("closing to opening", log, logs), "time")
            mean, sd = engaged_s(feeder, log.belt.speed.value)
            by_chance = NORMAL_95 * sd / math.sqrt(part.engaged.n)
            yield row.told(part.engaged.widened(by_chance), mean)


def _settled(
    settle: Subject,
    has: float,
    bounds: Sequence[tuple[float | None, float, float, int]],
    note: str,
    *,
    correction: bool,
) -> Learned:
    lows = [low for low, _, _, _ in bounds if low is not None]
    high, n = min(high for _, high, _, _ in bounds), sum(n for *_, n in bounds)
    low = max(lows, default=None)
    if low is None:
        why = "no carrier came while the feeder was busy: by then it is ready at the latest"
        if correction:
            why = "with stage_correction it is not known at which point a mark was let go"
        return settle.untold(has, why, low=0.0, high=high, n=n)
    if low > high:
        why = "what was served and what was let go contradict each other"
        return settle.untold(has, why, n=n)
    low = max(0.0, low)
    middle, half = 0.5 * (low + high), 0.475 * (high - low)
    figure = Finding(middle, middle - half, middle + half, n)
    return settle.told(figure.widened(max(open_ for _, _, open_, _ in bounds)), has, note)


def _ramp_over_s(log: InLog, part: FeederInLog, feeder: Feeder) -> tuple[float, float]:
    """Return the time from an opening to the end of the ramp-out (s, ±), logged if possible."""
    clutch = feeder.clutch
    ramp, delay = clutch.ramp_out, feeder.servo.command_delay_s
    if clutch.travel_ramp and log.belt is not None:
        ramp /= log.belt.speed.value
    logged = [part.ramps.ramp_out if part.ramps is not None else None, part.delay]
    halves = [0.5 * (figure.high - figure.low) for figure in logged if figure is not None]
    over = sum(
        figure.value if figure is not None else other
        for figure, other in zip(logged, (ramp, delay), strict=True)
    )
    return over, math.hypot(*halves)


def engaged_s(feeder: Feeder, speed: float) -> tuple[float, float]:
    """Return how long the scenario's clutch is closed in a cycle (s): mean, and sd by misfeeds.

    A cycle's command runs from one insert to the next, which takes the time of its travel
    (:func:`feedsim.settings.nominal.engaged_time`). A misfeed, or an insert that the eye misses,
    makes it a pitch longer: a geometric number of pitches, of variance (1 − p)/p². A log without
    any does not show that spread.
    """
    ins = feeder.inserts
    ratio, pitch = feeder.settings.speed_ratio, ins.pitch_mm
    seen = max(1e-9, feeder.found_share)
    mean = engaged_time(feeder.clutch, pitch / seen, ratio=ratio, counted_mm_s=speed)
    return mean, pitch / (ratio * speed) * math.sqrt(1.0 - seen) / seen
