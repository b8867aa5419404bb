"""Closings behind the carrier eye, and openings behind the insert eye: their edges and travels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.belt import Belt
from feedsim.answers.learn.study.figures import Finding, combined
from feedsim.answers.learn.study.lattice import InstantGrid
from feedsim.answers.learn.study.scans import ScanSeen, scan_seen
from feedsim.arrays import Floats, Places
from feedsim.logs import Log, OnOffSignal
from feedsim.machine import Eye, Machine
from feedsim.metrics.fits import known_covariance
from feedsim.metrics.student import standard_error
from feedsim.settings.acts import locked_step
from feedsim.settings.nominal import rectangular_sd

_ROOM = 1.5
_MOST_SCANS = 2.5
_LEAST = 20
_AS_MANY = 0.97
_SAME_SPEED = 0.02


class Ticks(NamedTuple):
    """The grid of all acts, the step of the log's times (s), and the scan as seen."""

    lattice: InstantGrid | None
    step_s: float
    scan: ScanSeen | None


@dataclass(frozen=True, slots=True)
class Side:
    """Acts of one kind: closings behind the carrier eye, or openings behind the insert eye.

    ``time_s``: of each act, on the grid. ``edge``: number of its edge, −1 for none. ``travel_mm``:
    from the edge, NaN without one. ``asked``: the travel that the program asks for between them.
    ``scan``: the scan that they show, behind a scanned eye.
    """

    time_s: Floats
    edge: Places
    travel_mm: Floats
    asked: Finding | None
    scan: ScanSeen | None


def sides_of(
    log: Log,
    belt: Belt | None,
    machine: Machine,
    number: int,
    acts: tuple[Floats, Floats],
    ticks: Ticks,
) -> list[Side | None]:
    """Return closings and openings of a feeder, each with its edge."""
    feeder, logged = machine.feeders[number], log.feeders[number]
    if belt is None or logged.clutch is None:
        return [None, None]
    s, v = feeder.settings, belt.speed.value
    asked = (
        (
            log.carrier_eye,
            machine.carrier_eye,
            acts[0],
            s.engage_travel_mm(v),
            not s.stage_correction,
        ),
        (logged.eye, feeder.eye, acts[1], s.opening_travel_mm(v), True),
    )
    return [
        _side(belt, machine, level, eye, times, about, even, ticks=ticks)
        for level, eye, times, about, even in asked
    ]


def _side(
    belt: Belt,
    machine: Machine,
    level: OnOffSignal | None,
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
        scans.insert(0, _MOST_SCANS * scans[0] + cycle)  # until the log shows it
    for scan in scans:
        longest = seen.scan.high if seen is not None and seen.scan is not None else scan
        width = _ROOM * v * (cycle + longest + 2.0 * within + 2.0 * step_s) + 2.0 * belt.count_mm
        edge = _edge_of_each_act(edges, acts, about_mm=max(about_mm, width), width_mm=width)
        travel = np.full(len(acts), np.nan)
        found = edge >= 0
        travel[found] = acts[found] - edges[edge[found]]
        if lattice is not None and eye.scanned and even and found.any():
            noise = rectangular_sd(0.5 * math.hypot(step_s, belt.count_mm / v))
            seen = scan_seen(travel[found] / v, times[found], grid=lattice.period, noise_s=noise)
    waits, sd, half = _waits(machine, eye, ticks, all_ or seen, times)
    asked = _travel_of(
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
    """Return the mean wait of acts for their ticks (s), and how uncertain it is.

    That is the standard deviation of a normal error and the half width of a uniform one.
    """
    cycle, scan = machine.controller.motion_cycle_s, machine.controller.scan_s
    half, (lattice, step_s, _) = 0.0, ticks
    if lattice is not None:
        cycle, half = lattice.period.value, lattice.open_s(times)
    elif cycle > 0.0:
        half = 0.5 * cycle + 0.5 * step_s  # the log shows neither the cycle nor its phase
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


def _edge_of_each_act(
    edges_mm: Floats, acts_mm: Floats, *, about_mm: float, width_mm: float
) -> Places:
    """Return which edge each act belongs to, −1 for none, shape of the acts.

    ``edges_mm``, ``acts_mm``: belt travel at each, rising; ``about_mm``: between them by the
    scenario; ``width_mm``: of the band in which the travels of punctual acts lie. Any edge before
    an act may be its own. The travel that most acts share, within the width, is chosen; if several
    travels have about as many acts, as with even pitches, the one nearest to the scenario's.
    """
    none = np.full(len(acts_mm), -1, dtype=np.intp)
    longest = 2.0 * about_mm + 4.0 * width_mm
    first = np.searchsorted(edges_mm, acts_mm - longest)
    last = np.searchsorted(edges_mm, acts_mm, "right")
    counts = last - first
    if counts.sum() == 0:
        return none
    act = np.repeat(np.arange(len(acts_mm)), counts)
    edge = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + first[act]
    travel = acts_mm[act] - edges_mm[edge]
    order = np.argsort(travel, kind="stable")
    rising = travel[order]
    within = np.searchsorted(rising, rising + width_mm, "right") - np.arange(len(rising))
    good = np.flatnonzero(within >= _AS_MANY * within.max())
    middles = 0.5 * (rising[good] + rising[good + within[good] - 1])
    low = float(rising[good[int(np.argmin(np.abs(middles - about_mm)))]])
    near = (travel >= low - 0.1 * width_mm) & (travel <= low + width_mm)
    none[act[near]] = edge[near]
    return none


def _travel_of(
    travels_mm: Floats,
    *,
    speed_mm_s: float,
    waits_s: float,
    waits_sd_s: float = 0.0,
    open_s: float,
    count_mm: float,
) -> Finding | None:
    """Return the travel asked for between edge and act, from the travels measured.

    ``travels_mm``, shape (n,): counted belt travel from each edge to its act.
    ``waits_s``: mean time that acts wait for their tick and edges for their scan.
    ``waits_sd_s``: standard deviation of that mean, if the log shows it.
    ``open_s``: half width of its uniform error, common to all acts.
    ``count_mm``: one count, 0 for none. Edges are stored in whole counts, half a count too low on
        average.
    """
    n = len(travels_mm)
    if n < _LEAST:
        return None
    value = float(travels_mm.mean()) - waits_s * speed_mm_s + 0.5 * count_mm
    sd = math.hypot(standard_error(travels_mm), waits_sd_s * speed_mm_s)
    return combined(value, sd=sd, uniform=open_s * speed_mm_s, n=n, dof=n - 1.0)


@dataclass(frozen=True, slots=True)
class _DistanceAndLead:
    """A travel against speed.

    ``distance``: mm at rest; ``lead``: s by which it shortens; None from one speed. ``straight``:
    probability of such deviations if the line is straight; None from two speeds.
    """

    distance: Finding | None
    lead: Finding | None
    straight: float | None


def distance_and_lead(
    speeds_mm_s: Floats, travels: list[Finding], *, shared_s: float = 0.0
) -> _DistanceAndLead:
    """Fit travel = distance − lead·speed through the travels at several speeds.

    ``shared_s``: standard deviation of a time error that all these travels share; it looks like
    a lead.

    Weighted by the intervals, which are known and so not scaled by the residuals (any text on
    weighted least squares).
    """
    from scipy.special import chdtrc

    if len(travels) < 2 or np.ptp(speeds_mm_s) < _SAME_SPEED * float(np.max(speeds_mm_s)):
        return _DistanceAndLead(None, None, None)
    y = np.array([t.value for t in travels])
    sd = np.array([max(t.sd, 1e-9) for t in travels])
    sd = np.sqrt(np.maximum(sd**2 - (shared_s * speeds_mm_s) ** 2, (0.1 * sd) ** 2))
    design = np.column_stack([np.ones_like(y), speeds_mm_s])
    covariance = known_covariance(design, sd)
    found = covariance @ (design.T @ (y / sd**2))
    n = sum(t.n for t in travels)
    distance = combined(float(found[0]), sd=math.sqrt(covariance[0, 0]), uniform=0.0, n=n)
    error = math.hypot(math.sqrt(covariance[1, 1]), shared_s)
    slope = combined(float(found[1]), sd=error, uniform=0.0, n=n)
    straight = None
    if len(y) > 2:
        straight = float(chdtrc(len(y) - 2, float((((y - design @ found) / sd) ** 2).sum())))
    return _DistanceAndLead(distance, slope.scaled(-1.0), straight)
