"""What one log shows: belt, carriers, and each feeder's acts, inserts and following."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.belt import Belt, belt_of, belt_without_encoder, rounded_alike
from feedsim.answers.learn.study.figures import Figure, combined
from feedsim.answers.learn.study.following import (
    Cycles,
    Ramps,
    Track,
    cycles_of,
    ramps_of,
)
from feedsim.answers.learn.study.lattice import Lattice, lattice_of
from feedsim.answers.learn.study.laws import ArrivalLaw, arrival_law
from feedsim.answers.learn.study.pitches import Pitches, pitches_of
from feedsim.answers.learn.study.ready import Bounds, busy_bounds
from feedsim.answers.learn.study.scans import ScanSeen, scan_seen
from feedsim.answers.learn.study.servo import Servo, servo_of
from feedsim.answers.learn.study.travels import edge_of_each_act, travel_of
from feedsim.logs import Level, Log, LoggedFeeder, Values
from feedsim.machine import Eye, Feeder, Machine
from feedsim.settings.acts import locked_step

__all__ = ["Acts", "FeederInLog", "InLog", "Side", "acts_of", "in_log", "scans_in"]

Floats = NDArray[np.float64]
Acts = tuple[Lattice | None, list[tuple[Floats, Floats]]]
_ROOM = 1.5
_FEW = 20
_MOST_SCANS = 2.5


class _Ticks(NamedTuple):
    """The grid of all acts, the step in which the log tells times (s), and what shows the scan."""

    lattice: Lattice | None
    step_s: float
    scan: ScanSeen | None


@dataclass(frozen=True, slots=True)
class Side:
    """Acts of one kind: closings behind the carrier eye, or openings behind the insert eye.

    ``time_s``: of each act, on its grid. ``edge``: number of its edge, −1 for none. ``travel_mm``:
    from the edge, NaN without one. ``asked``: the travel that the program asks for between them.
    ``scan``: what they show of the scan, behind a scanned eye.
    """

    time_s: Floats
    edge: NDArray[np.intp]
    travel_mm: Floats
    asked: Figure | None
    scan: ScanSeen | None


@dataclass(frozen=True, slots=True)
class FeederInLog:
    """What one log shows of one feeder; None where it does not."""

    closings: Side | None
    openings: Side | None
    engaged: Figure | None
    """From closing to opening (s)."""
    busy: Bounds | None
    """From opening to ready (s)."""
    inserts: Pitches | None
    """In feed travel."""
    strays: tuple[int, int] | None
    """Inserts that passed their eye ahead of the one that was staged, and all that passed."""
    command: Cycles | None
    ramps: Ramps | None
    servo: Servo | None
    delay: Figure | None


@dataclass(frozen=True, slots=True)
class InLog:
    """What one log shows, or a part of one.

    ``name``: by which rows tell it from others, such as "log 2" or "log 2 from 35.000 s".
    ``measured``: whether the belt's travel comes from an encoder, and not from the length of
    carriers. ``edge_noise_mm``: standard deviation of the edge that the carrier eye sees.
    """

    name: str
    file: str
    step_s: float
    belt: Belt | None
    measured: bool
    lattice: Lattice | None
    carriers: Pitches | None
    law: ArrivalLaw | None
    edge_noise_mm: float
    feeders: tuple[FeederInLog, ...]


def in_log(
    log: Log, machine: Machine, *, whole: Log, acts: Acts, name: str, scan: ScanSeen | None
) -> InLog:
    """Work out what a log shows of a machine.

    Parameters
    ----------
    machine : Machine
        As the scenario has it: it says which edge an act is likely to belong to, and how long
        ticks and scans keep one waiting where the log cannot tell.
    whole : Log
        That it is a part of: the program ticks through all of it.
    acts : tuple
        Of the whole log (:func:`acts_of`).
    scan : ScanSeen or None
        What all logs show of the scan.
    """
    belt = belt_of(log, count_mm=machine.encoder.count_mm)
    measured = belt is not None
    belt = belt or belt_without_encoder(log, length_mm=machine.carriers.length_mm)
    lattice = acts[0]
    own = _own_acts(log, whole, acts)
    eye = log.carrier_eye
    carriers, law, noise = None, None, 0.0
    if eye is not None and belt is not None:
        carriers = pitches_of(_by_stretch(log, eye.on_s, belt.travel(eye.on_s)))
        noise = _edge_noise(eye, belt)
        grain = 2.0 * float(np.median(eye.on_within_s)) * belt.speed.value if len(eye.on_s) else 0.0
        law = arrival_law(
            carriers.mm, carriers.single, noise_mm=math.sqrt(2.0) * noise, grain_mm=grain
        )
    step = _step(log)
    ticks = _Ticks(lattice, step, scan)
    feeders = tuple(
        _feeder(log, belt, machine, number, acts=own[number], ticks=ticks)
        for number in range(len(log.feeders))
    )
    file = Path(log.file).name
    return InLog(name, file, step, belt, measured, lattice, carriers, law, noise, feeders)


def _step(log: Log) -> float:
    """Return the step in which the log tells times (s)."""
    return max(log.step_s, log.period_s) if math.isfinite(log.period_s) else log.step_s


def acts_of(log: Log) -> Acts:
    """Return the grid of all acts, and by feeder the instants of its closings and openings."""
    clutches = [feeder.clutch for feeder in log.feeders]
    rows: list[tuple[Floats, Floats]] = []
    for c in clutches:
        rows += [(c.on_s, c.on_within_s), (c.off_s, c.off_within_s)] if c is not None else []
    if not rows:
        return None, [(np.empty(0), np.empty(0)) for _ in clutches]
    times = np.concatenate([t for t, _ in rows])
    within = np.concatenate([w for _, w in rows])
    order = np.argsort(times, kind="stable")
    step = _step(log)
    shared = max(0.0, float(within.min(initial=np.inf)) - 0.5 * step) if rounded_alike(log) else 0.0
    lattice = lattice_of(times[order], within[order], grain_s=step, shared_s=shared)
    on_grid = times.copy()
    if lattice is not None:
        on_grid[order] = lattice.time_s
    parts = np.split(on_grid, np.cumsum([len(t) for t, _ in rows])[:-1])
    none = (np.empty(0), np.empty(0))
    found = [(parts.pop(0), parts.pop(0)) if c is not None else none for c in clutches]
    return lattice, found


def scans_in(log: Log, machine: Machine, *, whole: Log, acts: Acts) -> list[ScanSeen]:
    """Return what each side of acts behind a scanned eye shows of the scan."""
    eyes = [machine.carrier_eye, *(feeder.eye for feeder in machine.feeders)]
    if acts[0] is None or not any(eye.scanned for eye in eyes):
        return []
    belt = belt_of(log, count_mm=machine.encoder.count_mm)
    belt = belt or belt_without_encoder(log, length_mm=machine.carriers.length_mm)
    if belt is None:
        return []
    step = _step(log)
    sides = [
        side
        for number, own in enumerate(_own_acts(log, whole, acts))
        for side in _sides(log, belt, machine, number, own, _Ticks(acts[0], step, None))
    ]
    return [side.scan for side in sides if side is not None and side.scan is not None]


def _own_acts(log: Log, whole: Log, acts: Acts) -> list[tuple[Floats, Floats]]:
    """Return closings and openings of each feeder in a part of a log."""
    return [
        _of_part(each, all_of.clutch, one.clutch)
        for each, all_of, one in zip(acts[1], whole.feeders, log.feeders, strict=True)
    ]


def _of_part(
    acts: tuple[Floats, Floats], whole: Level | None, part: Level | None
) -> tuple[Floats, Floats]:
    """Return closings and openings of those that lie in a part of a log."""
    if whole is None or part is None:
        return acts
    return acts[0][np.isin(whole.on_s, part.on_s)], acts[1][np.isin(whole.off_s, part.off_s)]


def _by_stretch(log: Log, times: Floats, values: Floats) -> list[Floats]:
    """Cut values at the gaps of a log."""
    cuts = np.searchsorted(times, np.array(log.begins_s[1:]))
    return np.split(values, cuts)


def _edge_noise(eye: Level, belt: Belt) -> float:
    """Return the spread of how long carriers keep the eye on (mm): that of their edges."""
    ends = np.searchsorted(eye.off_s, eye.on_s)
    whole = ends < len(eye.off_s)
    lasted = belt.travel(eye.off_s[ends[whole]]) - belt.travel(eye.on_s[whole])
    if len(lasted) < _FEW:
        return 0.0
    usual = lasted[np.abs(lasted - np.median(lasted)) < 0.1 * np.median(lasted)]
    return float(usual.std(ddof=1)) if len(usual) > 1 else 0.0


def _sides(
    log: Log,
    belt: Belt | None,
    machine: Machine,
    number: int,
    acts: tuple[Floats, Floats],
    ticks: _Ticks,
) -> list[Side | None]:
    """Return closings and openings of a feeder, each behind its edge."""
    feeder, logged = machine.feeders[number], log.feeders[number]
    if belt is None or logged.clutch is None:
        return [None, None]
    s, v = feeder.settings, belt.speed.value
    closing = s.engage_distance_mm - s.engage_lead_s * v
    opening = s.disengage_distance_mm - s.disengage_lead_s * v
    asked = (
        (log.carrier_eye, machine.carrier_eye, acts[0], closing, not s.stage_correction),
        (logged.eye, feeder.eye, acts[1], opening, True),
    )
    return [
        _side(belt, machine, level, eye, times, about, even, ticks=ticks)
        for level, eye, times, about, even in asked
    ]


def _feeder(
    log: Log,
    belt: Belt | None,
    machine: Machine,
    number: int,
    *,
    acts: tuple[Floats, Floats],
    ticks: _Ticks,
) -> FeederInLog:
    feeder, logged = machine.feeders[number], log.feeders[number]
    close_s, open_s = acts
    lattice, step_s, _ = ticks
    sides = _sides(log, belt, machine, number, acts, ticks)
    pairs = _pairs(log, close_s, open_s)
    command, ramps, servo, delay = _following(
        log, feeder, logged, *pairs, lattice=lattice, step_s=step_s
    )
    inserts, strays = _inserts(log, logged, sides[1])
    lasted = pairs[1] - pairs[0]
    engaged = None
    if len(lasted) >= _FEW:
        sd = float(lasted.std(ddof=1)) / math.sqrt(len(lasted))
        engaged = combined(
            float(lasted.mean()), sd=sd, uniform=0.0, n=len(lasted), dof=len(lasted) - 1.0
        )
    busy = None
    if belt is not None:
        correction = feeder.settings.stage_correction
        busy = _busy(belt, log, sides[0], open_s, machine, lattice, correction=correction)
    return FeederInLog(
        sides[0], sides[1], engaged, busy, inserts, strays, command, ramps, servo, delay
    )


def _waits(
    machine: Machine, eye: Eye, ticks: _Ticks, seen: ScanSeen | None, times: Floats
) -> tuple[float, float, float]:
    """Return how long acts wait for their ticks on average (s), and what is open of it.

    That is the standard deviation of a normal error and half of a uniform one.
    """
    cycle, scan = machine.controller.motion_cycle_s, machine.controller.scan_s
    half, (lattice, step_s, _) = 0.0, ticks
    if lattice is not None:
        cycle, half = lattice.period.value, lattice.open_s(times)
    elif cycle > 0.0:
        half = 0.5 * cycle + 0.5 * step_s  # neither the cycle nor its phase to the log is known
    waits, sd = 0.5 * cycle + eye.filter_s, 0.0
    if eye.scanned and seen is not None:
        figure = seen.scan
        waits += 0.5 * (cycle if figure is None else figure.value)
        half += 0.5 * seen.step_s
        sd = seen.waits_sd_s
    elif eye.scanned:
        waits += 0.5 * scan
        whole = scan / cycle if cycle > 0.0 else 0.0
        locked = abs(whole - round(whole)) < 1e-3 and whole >= 0.5
        half += 0.5 * (cycle if locked else locked_step(machine.controller))
    return waits, sd, half


def _side(
    belt: Belt,
    machine: Machine,
    level: Level | None,
    eye: Eye,
    times: Floats,
    about_mm: float,
    even: bool,
    *,
    ticks: _Ticks,
) -> Side | None:
    """Find edge and travel of each act; ``even``: the program asks for one travel for all."""
    if level is None or len(times) == 0:
        return None
    v = belt.speed.value
    lattice, step_s, all_ = ticks
    cycle = lattice.period.value if lattice is not None else machine.controller.motion_cycle_s
    within = float(np.median(level.on_within_s)) if len(level.on_s) else 0.0
    acts, edges = belt.travel(times), belt.travel(level.on_s)
    seen = None
    scans = [machine.controller.scan_s] if eye.scanned else [0.0]
    if eye.scanned and all_ is not None:
        scans = [cycle if all_.scan is None else all_.scan.high]
    elif eye.scanned and lattice is not None:
        scans.insert(0, _MOST_SCANS * scans[0] + cycle)  # until the log has told it
    for scan in scans:
        longest = seen.scan.high if seen is not None and seen.scan is not None else scan
        width = _ROOM * v * (cycle + longest + 2.0 * within + 2.0 * step_s) + 2.0 * belt.count_mm
        edge = edge_of_each_act(edges, acts, about_mm=max(about_mm, width), width_mm=width)
        travel = np.full(len(acts), np.nan)
        found = edge >= 0
        travel[found] = acts[found] - edges[edge[found]]
        if lattice is not None and eye.scanned and even and found.any():
            noise = math.hypot(step_s, belt.count_mm / v) / math.sqrt(12.0)
            seen = scan_seen(travel[found] / v, times[found], grid=lattice.period, noise_s=noise)
    waits, sd, half = _waits(machine, eye, ticks, all_ or seen, times)
    asked = travel_of(
        travel[found],
        speed_mm_s=v,
        waits_s=waits,
        waits_sd_s=sd,
        open_s=half,
        count_mm=belt.count_mm,
    )
    return Side(times, edge, travel, asked, seen)


def _pairs(log: Log, close_s: Floats, open_s: Floats) -> tuple[Floats, Floats]:
    """Return closings and the opening that ended each, of whole cycles within one stretch."""
    if len(close_s) == 0 or len(open_s) == 0:
        return np.empty(0), np.empty(0)
    after = np.searchsorted(open_s, close_s, "right")
    has = after < len(open_s)
    close, end = close_s[has], open_s[after[has]]
    following = np.append(close[1:], math.inf)
    begins = np.array(log.begins_s)
    one = np.searchsorted(begins, close, "right") == np.searchsorted(begins, end, "right")
    good = one & (end <= following)
    return close[good], end[good]


def _following(
    log: Log,
    feeder: Feeder,
    logged: LoggedFeeder,
    close_s: Floats,
    open_s: Floats,
    *,
    lattice: Lattice | None,
    step_s: float,
) -> tuple[Cycles | None, Ramps | None, Servo | None, Figure | None]:
    if logged.command is None or len(close_s) < _FEW:
        return None, None, None, None
    at = _instants(log, logged)
    command = cycles_of(_track(logged.command, at), close_s, open_s)
    if command is None:
        return None, None, None, None
    clutch = feeder.clutch
    per_mm = feeder.settings.speed_ratio / max(1.0, _speed(command)) if clutch.travel_ramp else 1.0
    ramps = ramps_of(
        command,
        ramp_in=clutch.ramp_in * per_mm,
        ramp_out=clutch.ramp_out * per_mm,
        step=logged.command.step,
    )
    if ramps is None:
        return command, None, None, None
    late = np.concatenate([ramps.begins_s - command.close_s, ramps.ends_s - command.open_s])
    sd = float(late.std(ddof=1)) / math.sqrt(len(late))
    acts = np.concatenate([command.close_s, command.open_s])
    half = lattice.open_s(acts) if lattice is not None else 0.5 * step_s
    if logged.clutch is not None and len(logged.clutch.on_within_s):
        # of events it is not known on which side of its time an edge lies: all of them on one
        half += max(0.0, float(np.median(logged.clutch.on_within_s)) - 0.5 * step_s)
    delay = combined(float(late.mean()), sd=sd, uniform=half, n=len(late), dof=len(late) - 1.0)
    servo = None
    if logged.actual is not None and logged.actual.quantity == logged.command.quantity:
        actual = cycles_of(_track(logged.actual, at), close_s, open_s)
        if actual is not None and np.array_equal(actual.time_s, command.time_s, equal_nan=True):
            servo = servo_of(
                command, actual, ramps, step_mm=max(logged.actual.step, logged.command.step)
            )
    return command, ramps, servo, delay


def _instants(log: Log, logged: LoggedFeeder) -> Floats:
    """Return all instants at which values were written; of events only new ones are."""
    parts = [v.time_s for v in (log.encoder, logged.command, logged.actual) if v is not None]
    return np.unique(np.concatenate(parts)) if log.shape == "events" else parts[-1]


def _track(values: Values, at: Floats) -> Track:
    """Return a track at some instants; what was not written had not changed."""
    place = np.searchsorted(values.time_s, at, "right") - 1
    known = place >= 0
    value = values.value[place[known]]
    return Track(at[known], value, values.quantity == "mm_s")


def _speed(cycles: Cycles) -> float:
    """Return the largest mean speed of any cycle's track (mm/s)."""
    if cycles.rate:
        return float(np.nanmax(cycles.value))
    steps = np.diff(cycles.value, axis=1) / np.diff(cycles.time_s, axis=1)
    return float(np.nanquantile(steps, 0.9))


def _inserts(
    log: Log, logged: LoggedFeeder, openings: Side | None
) -> tuple[Pitches | None, tuple[int, int] | None]:
    """Return the pitches of inserts in feed travel, and how many strayed of how many."""
    strays = None
    if logged.eye is not None and openings is not None and (openings.edge >= 0).any():
        used = np.unique(openings.edge[openings.edge >= 0])
        passed = int(used[-1] - used[0] + 1)
        strays = (passed - len(used), passed)
    track = logged.actual or logged.command
    if logged.eye is None or track is None:
        return None, strays
    value = track.value
    if track.quantity == "mm_s":
        steps = 0.5 * (value[1:] + value[:-1]) * np.diff(track.time_s)
        value = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.interp(logged.eye.on_s, track.time_s, value)
    return pitches_of(_by_stretch(log, logged.eye.on_s, at)), strays


def _busy(
    belt: Belt,
    log: Log,
    closings: Side | None,
    open_s: Floats,
    machine: Machine,
    lattice: Lattice | None,
    *,
    correction: bool,
) -> Bounds | None:
    if closings is None or closings.asked is None or log.carrier_eye is None or len(open_s) < _FEW:
        return None
    close_s, eye = closings.time_s, log.carrier_eye

    def since_opening(times: Floats) -> Floats:
        """Return the time since the clutch opened; NaN where it has closed again."""
        place = np.searchsorted(open_s, times, "right") - 1
        closed = np.searchsorted(close_s, times, "left") - 1
        opened = np.where(place >= 0, open_s[np.maximum(place, 0)], np.nan)
        shut = np.where(closed >= 0, close_s[np.maximum(closed, 0)], -np.inf)
        found: Floats = np.where(opened > shut, times - opened, np.nan)
        return found

    timely = closings.edge >= 0
    served, waited = since_opening(close_s[timely]), since_opening(close_s[~timely])
    marks = np.setdiff1d(np.arange(len(eye.on_s)), closings.edge[timely])
    points = belt.time(belt.travel(eye.on_s[marks]) + closings.asked.value)
    points = points[points < close_s[-1]]
    let_go = since_opening(points)
    if machine.controller.not_ready_engages:
        let_go = np.empty(0)
    else:
        waited = np.empty(0)
    if correction:  # each mark's point is shifted by its own insert
        let_go = np.empty(0)
    tick = lattice.period.value if lattice is not None else machine.controller.motion_cycle_s
    parts = [part[~np.isnan(part)] for part in (served, waited, let_go)]
    return busy_bounds(*parts, tick_s=tick)
