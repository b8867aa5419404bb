"""Closings behind the carrier eye, and openings behind the insert eye: their edges and travels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.belt import Belt
from feedsim.answers.learn.study.figures import Figure
from feedsim.answers.learn.study.lattice import Lattice
from feedsim.answers.learn.study.scans import ScanSeen, scan_seen
from feedsim.answers.learn.study.travels import edge_of_each_act, travel_of
from feedsim.arrays import Floats, Places
from feedsim.logs import Level, Log
from feedsim.machine import Eye, Machine
from feedsim.settings.acts import locked_step

_ROOM = 1.5
_MOST_SCANS = 2.5


class Ticks(NamedTuple):
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
    edge: Places
    travel_mm: Floats
    asked: Figure | None
    scan: ScanSeen | None


def sides_of(
    log: Log,
    belt: Belt | None,
    machine: Machine,
    number: int,
    acts: tuple[Floats, Floats],
    ticks: Ticks,
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


def _side(
    belt: Belt,
    machine: Machine,
    level: Level | None,
    eye: Eye,
    times: Floats,
    about_mm: float,
    even: bool,
    *,
    ticks: Ticks,
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


def _waits(
    machine: Machine, eye: Eye, ticks: Ticks, seen: ScanSeen | None, times: Floats
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
