"""Feed cycles behind a carrier eye whose edges are stored at scan ticks.

Carrier A is known at a scan tick T, and closes the clutch c later, at a motion tick. The edge of
the next insert opens it, at a motion tick too, and the feeder is ready r after that. The next
carrier, known n scans after T, finds it busy if its own c ends before: if n is at most some n*.
Over line speed n* jumps, and the share lost with it: a sawtooth, as long as a scan is of belt
travel.

- Insert eye stored at scan ticks: its edge is known k scans after T, and opens u later. With Y from
  T to where it would be known without the wait for a scan, and b the phase of a tick, uniform on a
  scan, k = ⌊(Y + b)/scan⌋: what an opening comes late it stages further, and the next edge comes as
  much sooner, so that phases turn and spread evenly.
- Latched: it opens at the first motion tick at or after both Z, a travel behind its edge, and the
  scan tick at which the program knows of it. What the opening before waited for these it staged
  further, so that the edge comes as much sooner.

Likewise n, with the phase a of a carrier's edge before its tick: n is at most n* if the pitch plus
a is below (n* + 1)·scan (derived in feedsim/MODEL.md, section 13, fact 6).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.machine import SAME_STEP
from feedsim.probability.distribution import Distribution, SharesBelow
from feedsim.settings.acts import first_steps, free_half_widths, is_locked, locked_step
from feedsim.settings.busy_lag import busy_longer
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.late_acts import late_opening_mean, opening_acts_some_late
from feedsim.settings.nominal import ready_time
from feedsim.settings.predict import corrected_later, cycle_time, until_next_tick
from feedsim.settings.spreads import gaps

_PHASES, _RARE = 8, 1e-12
_SHORT, _SELDOM, _HARDLY_LATE = 0.1, 1e-3, 0.05
_Laws = list[tuple[SharesBelow, float]]
"""Laws of a travel (mm), with the share of the services that have each."""
_Lost = Iterator[tuple[int, float]]
"""n* + 1, with shares."""


@term
def are_whole_scans(at: FeederAtSpeed) -> bool:
    """Return whether carriers come in steps from a scan tick, and it matters.

    Not if scans are so short that they hardly do: below a tenth of what spreads gaps and edges. Not
    if points are corrected by openings on latched edges, late by more than a twentieth of a scan on
    average: closings then wait for scans as well.
    """
    if not is_locked(at.carrier_eye, at.controller):
        return False
    edges = at.carrier_eye.edge_sd_mm, at.eye.edge_sd_mm * at.belt_per_feed
    spread = math.hypot(at.carriers.arrival.sd_mm, gaps(at).sd * at.belt_per_feed, *edges)
    if at.speed_mm_s * at.controller.scan_s < _SHORT * spread:
        return False
    late = _HARDLY_LATE * at.counted_mm_s * at.controller.scan_s
    corrected = at.settings.stage_correction and not is_locked(at.eye, at.controller)
    return not corrected or late_opening_mean(at) <= late


def busy_scans(
    at: FeederAtSpeed, more: Mapping[float, float]
) -> tuple[Distribution, dict[float, float]]:
    """Return the belt travel (mm) within which the next carrier finds the feeder busy.

    As −a, with what edges and jitter spread the carriers by, and extra travels (n* + 1)·scan with
    probabilities: where a scan is short, the same as
    :func:`feedsim.settings.spreads.busy_travel` and ``more``.

    ``more``: extra travels of a service (mm), with probabilities.
    """
    v = at.speed_mm_s
    scan, jitter = v * at.controller.scan_s, v * at.carrier_eye.response_jitter_s
    lost = _behind_scanned_edges if is_locked(at.eye, at.controller) else _behind_latched_edges
    values: dict[float, float] = {}
    law = _law(at)
    mean, whole = SharesBelow(np.array([law.average]), np.zeros(1)), _shares(at)
    for ticks, shift in _cycles(at):
        laws = []
        for by, chance in more.items():
            there = mean if chance < _SELDOM else whole
            laws.append((SharesBelow(there.places + (shift + by), there.shares), chance))
        for number, share in lost(ticks, laws, at):
            values[scan * number] = values.get(scan * number, 0.0) + ticks.share * share
    sd, widths = math.sqrt(2.0) * at.carrier_eye.edge_sd_mm, (0.5 * scan, jitter, jitter)
    return Distribution(-0.5 * scan, sd, widths), values


def scans_to_ready(at: FeederAtSpeed) -> tuple[int, ...]:
    """Return n* + 1 of a mean cycle, at each phase and act of one.

    With a scanned insert eye, that of an edge known with its carrier.
    """
    if is_locked(at.eye, at.controller):
        found = (each.lost_before(np.zeros(1)) for each in _ticks(at))
        return tuple(number for each in found for number in each.ravel().tolist())
    mean, behind_s = _law(at).average, _behind_edge(at)
    cycles = [(each, (mean + shift) / at.speed_mm_s) for each, shift in _cycles(at)]
    acts = [(each, max(opens_s, each.scan_from(opens_s - behind_s))) for each, opens_s in cycles]
    return tuple(
        math.ceil((acts_s + each.takes_s - closes_s) / each.scan_s - SAME_STEP)
        for each, acts_s in acts
        for closes_s, _ in each.closes
    )


@dataclass(frozen=True, slots=True)
class _Ticks:
    """How a cycle follows the ticks from the scan tick on that its carrier is known at (s).

    ``cycle_s``: motion cycle; ``phase_s``: how long before that scan tick the last motion tick was.
    ``closes``, ``opens``: c and u without the wait for a motion tick, with shares. ``takes_s``: r.
    ``share``: of carriers at that phase.
    """

    scan_s: float
    cycle_s: float
    phase_s: float
    closes: tuple[tuple[float, float], ...]
    opens: tuple[tuple[float, float], ...]
    takes_s: float
    share: float

    def after(self, times_s: Floats) -> Floats:
        """Return the first motion tick at each time or after it, shape of ``times_s``."""
        ticks = np.ceil((times_s + self.phase_s) / self.cycle_s - SAME_STEP)
        return np.asarray(self.cycle_s * ticks - self.phase_s)

    def scan_by(self, times_s: Floats) -> Floats:
        """Return the last scan tick at each time or before it, shape of ``times_s``."""
        return np.asarray(self.scan_s * np.floor(times_s / self.scan_s + SAME_STEP))

    def scan_from(self, time_s: float) -> float:
        """Return the first scan tick at a time or after it."""
        return self.scan_s * math.ceil(time_s / self.scan_s - SAME_STEP)

    @property
    def waits_s(self) -> float:
        """Mean wait of a closing for its motion tick."""
        return self.waited_s(self.closes)

    def opening_waited_s(self, scans: int) -> float:
        """Return the mean wait for its tick of an opening on an edge known so many scans before."""
        before = replace(self, phase_s=math.fmod(self.phase_s - scans * self.scan_s, self.cycle_s))
        return before.waited_s(self.opens)

    def waited_s(self, acts: tuple[tuple[float, float], ...]) -> float:
        """Return the mean wait for a motion tick of acts at times with shares."""
        times, shares = np.array(acts).T
        return float(shares @ (self.after(times) - times))

    def lost_before(self, scans: Floats) -> NDArray[np.intp]:
        """Return n* + 1 of edges known so many scans after the carrier.

        Shape of ``scans``, then as many as ``opens`` and as ``closes``.
        """
        opens, closes = (np.array(acts)[:, 0] for acts in (self.opens, self.closes))
        behind = self.after(scans[..., None] * self.scan_s + opens) + self.takes_s - self.cycle_s
        last = np.floor((behind[..., None] - closes) / self.scan_s + SAME_STEP)
        numbers: NDArray[np.intp] = last.astype(np.intp) + 1
        return numbers


def _behind_scanned_edges(ticks: _Ticks, laws: _Laws, at: FeederAtSpeed) -> _Lost:
    """Yield n* + 1 with shares; ``laws``: of Y + b (mm)."""
    scan = at.speed_mm_s * ticks.scan_s
    known: dict[int, float] = {}
    for law, chance in laws:
        numbers = range(math.floor(law.low_at / scan), math.ceil(law.high_at / scan) + 2)
        below = law(scan * np.array(numbers)).tolist()
        for scans, (before, after) in zip(numbers, pairwise(below), strict=False):
            if after - before > _RARE:
                known[scans] = known.get(scans, 0.0) + chance * (after - before)
    numbers_lost = ticks.lost_before(np.array([*known], dtype=np.float64))
    opens, closes = (np.array(acts)[:, 1] for acts in (ticks.opens, ticks.closes))
    shares = np.array([*known.values()])[:, None, None] * np.outer(opens, closes)
    least = int(numbers_lost.min())
    summed = np.bincount((numbers_lost - least).ravel(), weights=shares.ravel())
    yield from ((least + n, share) for n, share in enumerate(summed.tolist()) if share)


def _behind_latched_edges(ticks: _Ticks, laws: _Laws, at: FeederAtSpeed) -> _Lost:
    """Yield n* + 1 with shares; ``laws``: of Z (mm).

    n is not lost if its closing less r comes after Z, and after a scan tick that comes after the
    edge.
    """
    v, behind_s = at.speed_mm_s, _behind_edge(at)
    for (law, chance), (closes_s, part) in product(laws, ticks.closes):
        low, high = (end / v + ticks.takes_s for end in (law.low_at, law.high_at))
        high += ticks.scan_s
        first = math.floor((low - closes_s - ticks.cycle_s) / ticks.scan_s)
        numbers = range(first, math.ceil((high - closes_s) / ticks.scan_s) + 2)
        ends = ticks.after(np.array(numbers) * ticks.scan_s + closes_s) - ticks.takes_s
        below = law(v * np.minimum(ends, behind_s + ticks.scan_by(ends))).tolist()
        for number, (before, after) in zip(numbers[1:], pairwise(below), strict=True):
            if after - before > _RARE:
                yield number, chance * (after - before) * part


@term
def _shares(at: FeederAtSpeed) -> SharesBelow:
    return _law(at).shares_below()


@term
def _law(at: FeederAtSpeed) -> Distribution:
    """Return the law of Y + b or Z (mm), without the shifts of :func:`_cycles`."""
    v, control, per_feed = at.speed_mm_s, at.controller, at.belt_per_feed
    ticks = _ticks(at)
    before = Distribution()
    opened, closed = (_mean(acts) for acts in (ticks[0].opens, ticks[0].closes))
    whole = v * (cycle_time(at) + until_next_tick(at) - ticks[0].takes_s + closed)
    count, tick = free_half_widths(at)
    widths: tuple[float, ...] = (half := 0.5 * v * control.scan_s,)
    if is_locked(at.eye, control):
        mean = whole - v * opened + half
    elif (late := opening_acts_some_late(at)) is None:
        # what the opening before waited for its count and tick is staged further
        mean, widths = whole - tick, (count, count, tick)
    else:
        before = late.times(-at.scale)
        mean, widths = whole - tick - at.scale * late_opening_mean(at), (count,)
    law = Distribution(
        mean + corrected_later(at),
        math.sqrt(2.0) * at.eye.edge_sd_mm * per_feed,
        (*widths, *(2 * [v * at.eye.response_jitter_s])),
        rarely=((at.inserts.double, at.inserts.length_mm * per_feed),),
    ).plus(gaps(at).shifted(-at.inserts.gap_mm).times(per_feed))
    return law if is_locked(at.eye, control) else law.plus(before, busy_longer(at))


def _cycles(at: FeederAtSpeed) -> Iterator[tuple[_Ticks, float]]:
    """Yield the ticks at each phase of the motion cycle, and what it shifts Y or Z by (mm)."""
    v, ticks = at.speed_mm_s, _ticks(at)
    if not is_locked(at.eye, at.controller):
        for each in ticks:
            yield each, v * each.waits_s
        return
    half = 0.5 * v * at.controller.scan_s
    # scans from the edge before to this carrier: it opened at a motion tick of that phase
    between = (at.carriers.pitch_mm - _law(at).average + half) / (2.0 * half)
    few = math.floor(between)
    if len(ticks) == 1:
        between = float(few)
    for scans, share in ((few, few + 1.0 - between), (few + 1, between - few)):
        for each in ticks if share else ():
            waited = each.waits_s - each.opening_waited_s(scans)
            yield replace(each, share=share * each.share), v * waited


@term
def _ticks(at: FeederAtSpeed) -> list[_Ticks]:
    control = at.controller
    step, cycle = locked_step(control), control.motion_cycle_s
    many = round(cycle / step)
    phases = sorted({int((n + 0.5) * many / _PHASES) for n in range(_PHASES)})
    ready = ready_time(at.feeder.clutch, at.feeder.servo, 0.0, counted_mm_s=at.counted_mm_s)
    closes, opens = (first_steps(at, t) for t in (at.engage_travel_mm, at.opening_travel_mm))
    takes_s = ready + until_next_tick(at)
    return [
        _Ticks(control.scan_s, cycle, step * n, closes, opens, takes_s, 1.0 / len(phases))
        for n in phases
    ]


@term
def _behind_edge(at: FeederAtSpeed) -> float:
    """Return how long behind a latched edge Z is (s), on average over the fractions of a count."""
    return (at.opening_travel_mm - 0.5 * at.count_mm) / at.counted_mm_s


def _mean(acts: tuple[tuple[float, float], ...]) -> float:
    return sum(time * share for time, share in acts)
