"""The shift, or the drift, common to nearly all acts of one side."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.act_rows import ActRows, ActShift, ActVerdict, Side
from feedsim.arrays import Bools, Floats
from feedsim.machine import Machine

_MOST = 0.8
"""Share of the acts that a steady fault must explain."""
_LEAST = 10


class Steady(NamedTuple):
    """A shift (s), not 0, common to nearly all acts of one side."""

    side: Side
    shift: _Common
    mask: Bools
    judged: int
    speed_mm_s: float
    counts_per_s: float


def unknown_s(side: Side, machine: Machine, feeder: int, look_s: float) -> tuple[float, float]:
    """Return how far edges must spread to average out phases, and what remains uncertain (s).

    Two things never average out: the phase between samples and ticks if one period is a multiple of
    the other, and behind a scanned eye the step that a point falls on (model, section 13).
    """
    controller = machine.controller
    eye = machine.carrier_eye if side == "closings" else machine.feeders[feeder].eye
    step = 0.5 * controller.motion_cycle_s if eye.scanned else 0.0
    count = machine.encoder.count_mm / max(machine.line.speed_mm_s, 1.0)
    spread = max(controller.motion_cycle_s, look_s, controller.scan_s)
    return spread, look_s + step + 1.5 * count + 1e-5


def timed(rows: ActRows) -> Bools:
    """Return which acts can be timed: as asked, early or late."""
    in_time: Bools = np.isin(rows.verdict, [ActVerdict.AS_ASKED, ActVerdict.EARLY, ActVerdict.LATE])
    return in_time & np.isfinite(rows.late_low_s)


class Drift(NamedTuple):
    """A drift (s per second) common to nearly all acts of one side; how many agree."""

    per_s: float
    agree: int
    mask: Bools


def steady_of(
    side: Side, rows: ActRows, unknown_s: tuple[float, float]
) -> tuple[Steady | Drift | None, ActShift | None]:
    """Return the shift or drift of nearly all acts, and the range of the shift.

    The first is None if most acts are as asked, the second if acts share no shift.
    ``unknown_s``: as :func:`unknown_s` returns it.
    """
    mask = timed(rows) & rows.exact
    count = int(mask.sum())
    if count < _LEAST:
        return None, None
    low, high = rows.late_low_s[mask], rows.late_high_s[mask]
    right = (low <= 0.0) & (high >= 0.0)
    if right.sum() >= _MOST * count:
        common, bound = _Common(-math.inf, math.inf, 0.0, int(right.sum())), common_shift(low, high)
        agree = right
    else:
        common = bound = common_shift(low, high)
        agree = (low <= common.high) & (high >= common.low)
    common = _narrowed(common, rows, mask, agree, unknown_s)
    speed = float(np.mean(rows.speed_mm_s[mask]))
    shift = ActShift(side, max(bound.low, common.low), min(bound.high, common.high), speed)
    held = shift if bound.agree >= _MOST * count and shift.low_s <= shift.high_s else None
    if common.agree >= _MOST * count and (common.low > 0.0 or common.high < 0.0):
        counts_per_s = float(np.mean(rows.counts_per_s[mask]))
        judged = int(timed(rows).sum())
        return Steady(side, common, mask, judged, speed, counts_per_s), held
    if right.sum() >= _MOST * count:
        return None, held
    slope, along = _drifting(rows.time_s[mask], low, high)
    moved = abs(slope) * float(np.ptp(rows.time_s[mask]))
    wide = float(np.median(high - low))
    if along.agree >= _MOST * count and along.agree > common.agree and moved > wide:
        return Drift(slope, along.agree, mask), None
    return None, None


def _narrowed(
    common: _Common, rows: ActRows, mask: Bools, agree: Bools, unknown_s: tuple[float, float]
) -> _Common:
    """Narrow a common shift by the mean of the acts that agree on it.

    If edges fall at any phase of samples and ticks, the uncertainty of each act averages out; what
    all acts share remains. Four standard errors are added.
    """
    washed_s, stays_s = unknown_s
    edges = rows.edge_s[mask][agree]
    if len(edges) < _LEAST or float(np.std(np.diff(edges))) < washed_s:
        return common
    middle = 0.5 * (rows.late_low_s[mask] + rows.late_high_s[mask])[agree]
    mean = float(np.mean(middle))
    room = stays_s + 4.0 * float(np.std(middle)) / math.sqrt(len(middle))
    return _Common(max(common.low, mean - room), min(common.high, mean + room), mean, common.agree)


class _Common(NamedTuple):
    """A shift: an interval that most acts agree on, their mean, and how many agree."""

    low: float
    high: float
    mean: float
    agree: int

    @property
    def middle(self) -> float:
        """The best single value: the mean, kept within the interval."""
        return min(max(self.mean, self.low), self.high)


def common_shift(low: Floats, high: Floats) -> _Common:
    """Return the shift that most intervals contain (a sweep from left to right).

    ``low``, ``high``: ends of the intervals, shape (n,), n above 0.
    """
    ends = np.concatenate([low, high])
    turn = np.concatenate([np.ones(len(low)), -np.ones(len(high))])
    order = np.lexsort((-turn, ends))
    depth = np.cumsum(turn[order])
    at = int(np.argmax(depth))
    first = float(ends[order[at]])
    last = float(ends[order[min(at + 1, len(order) - 1)]])
    agreeing = (low <= last) & (high >= first)
    middle = 0.5 * (low[agreeing] + high[agreeing])
    return _Common(first, last, float(np.mean(middle)), int(depth[at]))


def _drifting(time_s: Floats, low: Floats, high: Floats) -> tuple[float, _Common]:
    """Return a steady drift (per second), and the shift at the first act that then fits most acts.

    The slope is that of Theil and Sen, the median of slopes between distant acts (Sen 1968,
    Journal of the American Statistical Association 63:1379–1389; from memory).
    """
    middle = 0.5 * (low + high)
    half = len(time_s) // 2
    ran = time_s[half : 2 * half] - time_s[:half]
    slope = float(np.median((middle[half : 2 * half] - middle[:half]) / np.maximum(ran, 1e-9)))
    moved = slope * (time_s - time_s[0])
    return slope, common_shift(low - moved, high - moved)
