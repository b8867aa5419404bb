"""Feed cycles behind two eyes whose edges are stored at scan ticks: a whole number of scans long.

Carrier A is known at a scan tick T, and closes the clutch c later, at a motion tick. The edge of
the next insert is known k scans after T, and opens it u later, at a motion tick; the feeder is
ready r after that. The next carrier, known n scans after T, finds it busy if its own c ends before:
if n is at most some n*(k). Over line speed n* jumps where c, u or r reach another tick, and the
share lost with it: a sawtooth, as long as a scan is of belt travel.

With Y from T to where the insert's edge would be known without the wait for a scan, and b the
phase of a tick, uniform on a scan, k = ⌊(Y + b)/scan⌋: what an opening comes late it stages
further, and the next edge comes as much sooner, so that phases turn and spread evenly. Likewise n,
with the phase a of a carrier's edge before its tick: n is at most n* if the pitch plus a is below
(n* + 1)·scan (derived in feedsim/MODEL.md, section 13, fact 6).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from feedsim.machine import SAME_STEP
from feedsim.probability.distribution import Distribution
from feedsim.settings.acts import first_steps, is_locked, locked_step
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.nominal import ready_time
from feedsim.settings.predict import corrected_later, cycle_time, until_next_tick
from feedsim.settings.spreads import gaps

_PHASES, _RARE, _FAR = 8, 1e-12, 9.0


def are_whole_scans(at: FeederAtSpeed) -> bool:
    """Return whether both eyes' edges are acted on in steps from a scan tick."""
    return all(is_locked(eye, at.controller) for eye in (at.carrier_eye, at.eye))


def busy_scans(
    at: FeederAtSpeed, more: Mapping[float, float]
) -> tuple[Distribution, dict[float, float]]:
    """Return the belt travel (mm) within which the next carrier finds the feeder busy.

    As −a, with what edges and jitter spread the carriers by, and extra travels (n* + 1)·scan with
    probabilities: where a scan is short, the same as
    :func:`feedsim.settings.spreads.busy_travel` and ``more``.

    ``more``: extra travels of a service (mm), with probabilities.
    """
    scan, jitter = at.speed_mm_s * at.controller.scan_s, at.carrier_eye.response_jitter_s
    values: dict[float, float] = {}
    for ticks, law in _cycles(at):
        for by, chance in more.items():
            for scans, share in _scans_to_edge(law.shifted(by), scan):
                for number, part in ticks.lost_before(scans):
                    values[scan * number] = values.get(scan * number, 0.0) + chance * share * part
    widths = (0.5 * scan, *(2 * [at.speed_mm_s * jitter]))
    return Distribution(-0.5 * scan, math.sqrt(2.0) * at.carrier_eye.edge_sd_mm, widths), values


def scans_to_ready(at: FeederAtSpeed) -> tuple[int, ...]:
    """Return n* + 1 for an edge known with its carrier, at each phase and act of a cycle."""
    return tuple(number for each in _ticks(at) for number, _ in each.lost_before(0))


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

    def after(self, time_s: float) -> float:
        """Return the first motion tick at a time or after it."""
        ticks = math.ceil((time_s + self.phase_s) / self.cycle_s - SAME_STEP)
        return self.cycle_s * ticks - self.phase_s

    @property
    def waits_s(self) -> float:
        """Mean wait of a closing for its motion tick."""
        return sum(share * (self.after(time) - time) for time, share in self.closes)

    def lost_before(self, scans: int) -> Iterator[tuple[int, float]]:
        """Yield n* + 1 for an edge known so many scans after the carrier, with shares."""
        for opens_s, share in self.opens:
            ready_s = self.after(scans * self.scan_s + opens_s) + self.takes_s
            for closes_s, part in self.closes:
                last = math.floor((ready_s - self.cycle_s - closes_s) / self.scan_s + SAME_STEP)
                yield last + 1, self.share * share * part


def _cycles(at: FeederAtSpeed) -> Iterator[tuple[_Ticks, Distribution]]:
    """Yield the ticks at each phase of the motion cycle, and the law of Y + b (mm) at it."""
    v, control, per_feed = at.speed_mm_s, at.controller, at.belt_per_feed
    ticks = _ticks(at)
    takes_s = ticks[0].takes_s
    opened, closed = (_mean(acts) for acts in (ticks[0].opens, ticks[0].closes))
    whole = v * (cycle_time(at) + until_next_tick(at)) + corrected_later(at)
    scan, jitter = v * control.scan_s, v * at.eye.response_jitter_s
    later = 0.5 * v * (control.motion_cycle_s - locked_step(control))
    law = Distribution(
        whole - v * (opened + takes_s - closed) + 0.5 * scan,
        math.sqrt(2.0) * at.eye.edge_sd_mm * per_feed,
        (0.5 * scan, jitter, jitter, *([later] if later > _RARE else [])),
        rarely=((at.inserts.double, at.inserts.length_mm * per_feed),),
    ).plus(gaps(at).shifted(-at.inserts.gap_mm).times(per_feed))
    waits_s = sum(each.share * each.waits_s for each in ticks)
    for each in ticks:
        yield each, law.shifted(v * (each.waits_s - waits_s))


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


def _mean(acts: tuple[tuple[float, float], ...]) -> float:
    return sum(time * share for time, share in acts)


def _scans_to_edge(law: Distribution, scan: float) -> list[tuple[int, float]]:
    """Return after how many whole scans an edge is known, with shares; ``law``: of Y + b (mm)."""
    (low, high), far = law.bounds(), _FAR * law.normal_sd
    ends = range(math.floor((low - far) / scan), math.ceil((high + far) / scan) + 1)
    below = law.below(*(number * scan for number in ends))
    shares = [after - before for before, after in pairwise(below)]
    return [(n, share) for n, share in zip(ends, shares, strict=False) if share > _RARE]
