"""What one log shows: belt, carriers, and each feeder's acts, inserts and following."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.belt import Belt, belt_of, belt_without_encoder, rounded_alike
from feedsim.answers.learn.study.figures import Finding, mean_of
from feedsim.answers.learn.study.followed import ServoFit, followed, whole_cycles
from feedsim.answers.learn.study.following import Ramps, Tracks
from feedsim.answers.learn.study.lattice import InstantGrid, lattice_of
from feedsim.answers.learn.study.laws import ArrivalLaw, arrival_law
from feedsim.answers.learn.study.pitches import Pitches, pitches_of
from feedsim.answers.learn.study.scans import Bounds, ScanSeen, busy_bounds
from feedsim.answers.learn.study.sides import Side, Ticks, sides_of
from feedsim.arrays import Floats
from feedsim.logs import Log, LoggedFeeder, OnOffSignal
from feedsim.machine import Machine

Acts = tuple[InstantGrid | None, list[tuple[Floats, Floats]]]
_FEW = 20


@dataclass(frozen=True, slots=True)
class FeederInLog:
    """What one log shows of one feeder; None: not shown."""

    closings: Side | None
    openings: Side | None
    engaged: Finding | None
    """From closing to opening (s)."""
    busy: Bounds | None
    """From opening to ready (s)."""
    inserts: Pitches | None
    """In feed travel."""
    strays: tuple[int, int] | None
    """Inserts that passed their eye ahead of the staged one, and all that passed."""
    command: Tracks | None
    ramps: Ramps | None
    servo: ServoFit | None
    delay: Finding | None


@dataclass(frozen=True, slots=True)
class InLog:
    """What one log shows, or a part of one.

    ``number``: of the log, from 1 on.
    ``name``: its name in the rows, such as "log 2" or "log 2 from 35.000 s". ``measured``: whether
    the belt's travel comes from an encoder, not from the length of carriers. ``edge_noise_mm``:
    standard deviation of the edge that the carrier eye sees.
    """

    number: int
    name: str
    step_s: float
    belt: Belt | None
    measured: bool
    lattice: InstantGrid | None
    carriers: Pitches | None
    law: ArrivalLaw | None
    edge_noise_mm: float
    feeders: tuple[FeederInLog, ...]


def in_log(
    log: Log,
    machine: Machine,
    *,
    whole: Log,
    acts: Acts,
    number: int,
    name: str,
    scan: ScanSeen | None,
) -> InLog:
    """Work out what a log shows of a machine.

    ``machine``: the scenario's, to guess which edge an act belongs to, and how long it waits for
        ticks and scans if the log does not show it.
    ``whole``: the log it is a part of: the program ticks through all of it.
    ``acts``: of that (:func:`acts_of`).
    ``scan``: what all logs show of it.
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
    ticks = Ticks(lattice, step, scan)
    feeders = tuple(
        _feeder(log, belt, machine, place, acts=own[place], ticks=ticks)
        for place in range(len(log.feeders))
    )
    return InLog(number, name, step, belt, measured, lattice, carriers, law, noise, feeders)


def _step(log: Log) -> float:
    """Return the step in which the log writes times (s)."""
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
        for side in sides_of(log, belt, machine, number, own, Ticks(acts[0], step, None))
    ]
    return [side.scan for side in sides if side is not None and side.scan is not None]


def _own_acts(log: Log, whole: Log, acts: Acts) -> list[tuple[Floats, Floats]]:
    """Return closings and openings of each feeder in a part of a log."""
    return [
        _of_part(each, all_of.clutch, one.clutch)
        for each, all_of, one in zip(acts[1], whole.feeders, log.feeders, strict=True)
    ]


def _of_part(
    acts: tuple[Floats, Floats], whole: OnOffSignal | None, part: OnOffSignal | None
) -> tuple[Floats, Floats]:
    """Return closings and openings of those that lie in a part of a log."""
    if whole is None or part is None:
        return acts
    return acts[0][np.isin(whole.on_s, part.on_s)], acts[1][np.isin(whole.off_s, part.off_s)]


def _by_stretch(log: Log, times: Floats, values: Floats) -> list[Floats]:
    """Cut values at the gaps of a log."""
    cuts = np.searchsorted(times, np.array(log.begins_s[1:]))
    return np.split(values, cuts)


def _edge_noise(eye: OnOffSignal, belt: Belt) -> float:
    """Return the spread of the lengths over which carriers keep the eye on (mm): edge noise."""
    ends = np.searchsorted(eye.off_s, eye.on_s)
    whole = ends < len(eye.off_s)
    lasted = belt.travel(eye.off_s[ends[whole]]) - belt.travel(eye.on_s[whole])
    if len(lasted) < _FEW:
        return 0.0
    usual = lasted[np.abs(lasted - np.median(lasted)) < 0.1 * np.median(lasted)]
    return float(usual.std(ddof=1)) if len(usual) > 1 else 0.0


def _feeder(
    log: Log,
    belt: Belt | None,
    machine: Machine,
    number: int,
    *,
    acts: tuple[Floats, Floats],
    ticks: Ticks,
) -> FeederInLog:
    feeder, logged = machine.feeders[number], log.feeders[number]
    close_s, open_s = acts
    lattice, step_s, _ = ticks
    sides = sides_of(log, belt, machine, number, acts, ticks)
    pairs = whole_cycles(log, close_s, open_s)
    command, ramps, servo, delay = followed(
        log, feeder, logged, *pairs, lattice=lattice, step_s=step_s
    )
    inserts, strays = _inserts(log, logged, sides[1])
    lasted = pairs[1] - pairs[0]
    engaged = None
    if len(lasted) >= _FEW:
        engaged = mean_of(lasted)
    busy = None
    if belt is not None:
        correction = feeder.settings.stage_correction
        busy = _busy(belt, log, sides[0], open_s, machine, lattice, correction=correction)
    return FeederInLog(
        sides[0], sides[1], engaged, busy, inserts, strays, command, ramps, servo, delay
    )


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
    lattice: InstantGrid | None,
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
