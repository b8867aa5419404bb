"""Openings whose counts keep step with the closing's, since the clutch closes just past a count.

Closed forms take the fraction of a count at an insert's edge as uniform. But the closing's motion
tick is the first one past a count, and edge and opening come whole ticks later, so few of those if
gaps are even that the fraction is still known where a tick is not a whole number w of counts.

The closing is y counts past its point: uniform on 0…w behind a latched carrier eye; behind a
scanned one u + j·w − N with u uniform on 0…1, N the point in counts and j the first tick not before
it. The edge is seen x ticks later: as in the nominal cycle, moved by what inserts are staged off,
with the spread of gap and edges and, for the stage's own, the widths of a tick and a count. Counts
are stored at x, or behind a scanned eye at the next scan tick, and the opening is the first tick
known to be at its count. Its mean over y and x, less the one for y and x at any phase, is taken
from their grid (derived from feedsim/MODEL.md, sections 5 and 8).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import SAME_STEP
from feedsim.probability.normal import kept_of_wave
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.nominal_cycle import nominal_cycle
from feedsim.settings.predict import staged_off

_PHASES, _PER_TICK, _MOST_SD, _FAR = 192, 8, 12.0, 4.0
_MOST_SCANS, _FEWEST_COUNTS, _MOST_COUNTS = 16, 0.05, 40.0
_UNSURE = 0.15
"""By how many ticks an edge may lie elsewhere than is known."""


class Opened(NamedTuple):
    """Shift of the placement (mm) by counts in step, and its largest error."""

    mean_mm: float
    most_mm: float


@term
def opened_in_counts(at: FeederAtSpeed) -> Opened:
    """Return the shift of the placement by openings whose counts keep step with the closing's.

    None is known with stage correction, without counts or motion cycle, or where the scan is not a
    whole number of motion cycles; next to none is there for a spread of more than 12 ticks, which
    keeps 0.003 of a count at most, or for counts of more than 20 ticks.
    """
    steps = _Steps.of(at)
    cycle = nominal_cycle(at) if steps else None
    if steps is None or cycle is None:
        return Opened(0.0, 0.0)
    tick, eye = at.controller.motion_cycle_s, at.eye
    seen = cycle.edge_s + eye.response_s + eye.filter_s - staged_off(at) / at.feed_mm_s
    edges = math.hypot(at.inserts.gap_sd_mm, math.sqrt(2.0) * eye.edge_sd_mm)
    sd = at.belt_per_feed * edges / (at.speed_mm_s * tick)
    if sd > _MOST_SD:
        return Opened(0.0, 0.0)
    sd = max(2.0 / _PER_TICK, sd)
    here, *beside = (
        -at.scale * at.count_mm * steps.longer(seen / tick + by, sd)
        for by in (0.0, _UNSURE, -_UNSURE)
    )
    return Opened(here, max(abs(other - here) for other in beside))


class _Steps(NamedTuple):
    """What decides an opening's tick: counts a tick, its point, and ticks from scan to scan.

    ``past``, ``scanned``: counts by which closings are past their point, and ticks from each to a
    scan. ``at_scan``: whether counts are stored at scan ticks.
    """

    per_tick: float
    point: int
    scan: int
    past: Floats
    scanned: Floats
    at_scan: bool

    @classmethod
    def of(cls, at: FeederAtSpeed) -> _Steps | None:
        control, q = at.controller, at.count_mm
        tick, scan = control.motion_cycle_s, control.scan_s
        if at.settings.stage_correction or q == 0.0 or tick == 0.0 or scan == 0.0:
            return None
        many, per_tick = round(scan / tick), at.counted_mm_s * tick / q
        if not 1 <= many <= _MOST_SCANS or abs(many * tick - scan) > SAME_STEP * scan:
            return None
        if not _FEWEST_COUNTS < per_tick < _MOST_COUNTS:
            return None
        u = _any_phase(many)
        if at.carrier_eye.scanned:
            point = round(at.engage_travel_mm / q)
            ticks = np.maximum(0.0, np.ceil((point - u) / per_tick - SAME_STEP))
            past, scanned = u + ticks * per_tick, -ticks % many
        else:
            past = np.repeat(u * per_tick, many)
            scanned = np.tile(np.arange(float(many)), len(u))
        opening = round(at.opening_travel_mm / q)
        return cls(per_tick, opening, many, past, scanned, at.eye.scanned)

    def longer(self, seen: float, sd: float) -> float:
        """Return by how many counts openings come later than for edges at any phase.

        ``seen``, ``sd``: ticks from a closing to its edge, and their spread.
        """
        of_count = np.ones(1 + 2 * round(0.5 * _PER_TICK / self.per_tick))
        reach = _FAR * sd + 1.0 + len(of_count) / _PER_TICK
        edges = np.arange(math.floor(seen - reach), math.ceil(seen + reach), 1.0 / _PER_TICK)
        edges += 0.5 / _PER_TICK
        normal = kept_of_wave((edges - seen) / sd)
        of_tick = [0.5, *np.ones(_PER_TICK - 1), 0.5]
        weights = np.convolve(np.convolve(normal, of_tick, "same"), of_count, "same")
        acts = self._acts(self.past, self.scanned, edges) @ weights / weights.sum()
        u = _any_phase(self.scan)
        scanned = np.tile(np.arange(float(self.scan)), len(u))
        any_phase = (np.arange(_PER_TICK) + 0.5) / _PER_TICK
        return float(acts.mean() - self._acts(np.repeat(u, self.scan), scanned, any_phase).mean())

    def _acts(self, past: Floats, scanned: Floats, edges: Floats) -> Floats:
        """Return the counts from an edge (its scan tick) to its opening: closings × edges."""
        y, first = past[:, None], scanned[:, None]
        known = first + self.scan * np.ceil((edges - first) / self.scan - SAME_STEP)
        stored = known if self.at_scan else edges
        counts = np.floor(y + stored * self.per_tick + SAME_STEP) + self.point
        acts = np.maximum(known, np.ceil((counts - y) / self.per_tick - SAME_STEP))
        whole: Floats = (acts - stored) * self.per_tick
        return whole


def _any_phase(scan: int) -> Floats:
    """Return fractions of a count, the fewer the more ticks a scan has."""
    many = max(_PHASES // scan, 12)
    phases: Floats = (np.arange(many) + 0.5) / many
    return phases
