"""Ramps from the commanded feed: the closed form, fitted.

At an even belt a command rises and falls along straight ramps of speed, p' = Σ sⱼ·(t − bⱼ)₊, so
p = Σ sⱼ·(t − bⱼ)₊²/2 (:mod:`feedsim.motion.ramps`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.figures import Finding, combined
from feedsim.answers.learn.study.fits import NonlinearFit, nonlinear_fit
from feedsim.arrays import Bools, Floats, Places
from feedsim.metrics.fits import straight_line
from feedsim.motion.ramps import ramp_bends
from feedsim.settings.nominal import rectangular_sd

_BEFORE_S = 0.01
_AFTER_S = 0.06
_MOST_CYCLES = 80
_MOST_POINTS = 240
_LEAST_CYCLES = 5
_STEPS = 3
_SHORT_S = 1e-5
_PHASES = 20
_FEW_PHASES = 6
_IN_STEP = 2.0
_PARTS = 4


@dataclass(frozen=True, slots=True)
class Track:
    """A logged course. ``rate``: ``value`` is a speed (mm/s), not a travel (mm)."""

    time_s: Floats
    value: Floats
    rate: bool


@dataclass(frozen=True, slots=True)
class Tracks:
    """Stretches of a track, each around the acts of one cycle, shape (c, m) padded with NaN.

    ``close_s``, ``open_s``: its acts, shape (c,). ``before_s``: the opening before them, −inf for
    none. ``place``: numbers of these cycles, shape (c,). ``period_s``: from one value of the track
    to the next; long cycles keep only some of their values.
    """

    time_s: Floats
    value: Floats
    close_s: Floats
    open_s: Floats
    before_s: Floats
    place: Places
    rate: bool
    period_s: float


@dataclass(frozen=True, slots=True)
class Ramps:
    """The ramps of a command at an even belt.

    ``ramp_in``, ``ramp_out``: s. ``speed``: of the feed, engaged (mm/s). ``begins_s``, ``ends_s``:
    when each cycle's ramps begin, shape (c,). ``residuals``: of the track, shape of the cycles.
    """

    ramp_in: Finding
    ramp_out: Finding
    speed: Finding
    begins_s: Floats
    ends_s: Floats
    residuals: Floats


def cycles_of(track: Track, close_s: Floats, open_s: Floats) -> Tracks | None:
    """Cut a track at acts; None if there are too few whole cycles.

    ``close_s``, ``open_s``: of cycles, the opening of each after its closing, shape (n,).
    """
    after = np.append(close_s[1:], math.inf)
    before = np.append(-math.inf, open_s[:-1])
    begin = np.maximum(close_s - _BEFORE_S, np.minimum(before + _AFTER_S, close_s))
    end = np.minimum(open_s + _AFTER_S, after)
    whole = (begin >= track.time_s[0]) & (end <= track.time_s[-1]) if len(track.time_s) else []
    places = np.flatnonzero(whole)
    places = places[:: max(1, len(places) // _MOST_CYCLES)][:_MOST_CYCLES]
    cut: list[tuple[Floats, Floats]] = []
    kept: list[int] = []
    for place in places.tolist():
        first, last = np.searchsorted(track.time_s, [begin[place], end[place]])
        some = np.arange(first, last, max(1, (last - first) // _MOST_POINTS))
        if len(some) >= 12 and np.diff(track.time_s[some]).max() < 0.01:
            cut.append((track.time_s[some], track.value[some]))
            kept.append(place)
    if len(kept) < _LEAST_CYCLES:
        return None
    widest = max(len(t) for t, _ in cut)
    times, values = (
        np.stack(
            [np.pad(row[side], (0, widest - len(row[side])), constant_values=np.nan) for row in cut]
        )
        for side in (0, 1)
    )
    where = np.array(kept, dtype=np.intp)
    acts = close_s[where], open_s[where], before[where]
    period = float(np.median(np.diff(track.time_s)))
    return Tracks(times, values, *acts, where, track.rate, period)


def since_bends(cycles: Tracks, begins: Floats, ends: Floats, corners: Floats) -> Floats:
    """Return times since each corner, 0 before it, shape (4, c, m)."""
    starts = np.stack([begins, begins, ends, ends]) + corners[:, None]
    found: Floats = np.maximum(cycles.time_s[None] - starts[:, :, None], 0.0)
    return found


def ramps_of(cycles: Tracks, *, ramp_in: float, ramp_out: float, step: float) -> Ramps | None:
    """Fit the ramps of a command, from first guesses (s).

    ``step``: in which the track is written (mm, or mm/s). Begin, end and initial travel of each
    cycle are fitted inside, cycle by cycle (variable projection, Golub and Pereyra 1973), so
    rounded times of acts do no harm. Rounded values are correlated within a cycle, and equal in
    cycles that begin at the same phase of the log's samples and steps; there are few such phases if
    ticks and samples are in step. So intervals are those of :meth:`NonlinearFit.grouped_sds`, with
    such cycles in one group.
    """
    known = ~np.isnan(cycles.time_s)
    speed = _engaged_speed(cycles)
    if not speed > 0.0:
        return None
    begins, ends = cycles.close_s.copy(), cycles.open_s.copy()
    begins, ends = _aligned(cycles, known, begins, ends, (ramp_in, ramp_out, speed), steps=8)

    def off(values: Floats, b: Floats, e: Floats) -> tuple[Floats, Floats, Floats]:
        moved = _aligned(cycles, known, b, e, (values[0], values[1], values[2]), steps=_STEPS)
        return _residuals(cycles, known, *moved, (values[0], values[1], values[2])), *moved

    start = np.array([max(ramp_in, 1e-3), max(ramp_out, 1e-3), speed])
    bounds = (np.array([_SHORT_S, _SHORT_S, 0.2 * speed]), np.array([2.0, 2.0, 5.0 * speed]))
    fit = nonlinear_fit(
        lambda values: off(values, begins, ends)[0][known],
        start,
        bounds=bounds,
    )
    residuals, begins, ends = off(fit.values, begins, ends)
    figures = figures_of(fit, cycles, known, begins, ends, step)
    return Ramps(figures[0], figures[1], figures[2], begins, ends, residuals)


def figures_of(
    fit: NonlinearFit,
    cycles: Tracks,
    known: Bools,
    begins: Floats,
    ends: Floats,
    step: float,
    *,
    two: bool = False,
) -> list[Finding]:
    """Return the fitted values with their intervals, cycles of one phase in one group.

    ``two``: the fit is of the difference of two tracks, each rounded.
    """
    dt = float(np.nanmedian(np.diff(cycles.time_s, axis=1)))
    n = len(begins)
    sds, dofs = np.zeros(len(fit.values)), np.full(len(fit.values), math.inf)
    for at in (begins, ends):
        turns = (at - cycles.time_s[:, 0]) / cycles.period_s
        phase = np.floor(_PHASES * (turns % 1.0)).astype(np.intp)
        group = np.broadcast_to(phase[:, None], known.shape)[known]
        each, many = fit.grouped_sds(group)
        if many < _FEW_PHASES:
            read = rectangular_sd(0.5 * step) * math.sqrt(n / many)
            each = _IN_STEP * read * np.linalg.norm(fit.inverse, axis=1)
            many = _FEW_PHASES
        wider = each > sds
        sds, dofs = np.where(wider, each, sds), np.where(wider, many - 1.0, dofs)
    by_cycle, many = fit.grouped_sds(
        np.broadcast_to(np.arange(n)[:, None], known.shape)[known].astype(np.intp)
    )
    wider = by_cycle > sds
    sds, dofs = np.where(wider, by_cycle, sds), np.where(wider, many - 1.0, dofs)
    open_by = _open_by(fit, cycles, known, begins, ends, step, dt) * (
        math.sqrt(2.0) if two else 1.0
    )
    rows = zip(fit.values.tolist(), sds.tolist(), dofs.tolist(), open_by.tolist(), strict=True)
    return [combined(value, sd=sd, uniform=by, n=n, dof=dof) for value, sd, dof, by in rows]


def _open_by(
    fit: NonlinearFit,
    cycles: Tracks,
    known: Bools,
    begins: Floats,
    ends: Floats,
    step: float,
    dt: float,
) -> Floats:
    """Return the errors of values if all readings at full speed are rounded the same way.

    That happens to a speed written in steps, and to a travel that grows by whole steps, or by
    halves, thirds or quarters of one, from sample to sample.
    """
    per = _engaged_speed(cycles) * dt / step if step > 0.0 else 0.5
    length = float(np.median(ends - begins)) / dt
    parts = (
        1
        if cycles.rate
        else next(
            (m for m in range(1, _PARTS + 1) if abs(per * m - round(per * m)) * length < 1.0), 0
        )
    )
    if parts == 0:
        return np.zeros(len(fit.values))
    full = (cycles.time_s > begins[:, None] + 0.5 * (ends - begins)[:, None]) & (
        cycles.time_s < ends[:, None]
    )
    shift = fit.inverse @ full[known].astype(np.float64)
    found: Floats = np.abs(shift) * step / parts  # half a step, and as much for the ramps
    return found


def _engaged_speed(cycles: Tracks) -> float:
    """Return the speed of the feed in the middle of the cycles (mm/s)."""
    middle = 0.5 * (cycles.close_s + cycles.open_s)
    half = 0.2 * (cycles.open_s - cycles.close_s)
    speeds = []
    for t, y, m, h in zip(cycles.time_s, cycles.value, middle, half, strict=True):
        inside = np.abs(t - m) <= h
        if inside.sum() >= 3:
            at, value = t[inside], y[inside]
            rate = value.mean() if cycles.rate else straight_line(at, value).coefficients[1]
            speeds.append(float(rate))
    return float(np.median(speeds)) if speeds else 0.0


def _residuals(
    cycles: Tracks,
    known: Bools,
    begins: Floats,
    ends: Floats,
    ramps: tuple[float, float, float],
) -> Floats:
    """Return values less the model; travels less their mean in each cycle."""
    corners, slopes = ramp_bends(*ramps)
    since = since_bends(cycles, begins, ends, corners)
    model = np.einsum("j,jcm->cm", slopes, since if cycles.rate else 0.5 * since**2)
    off = np.where(known, cycles.value - model, 0.0)
    if not cycles.rate:
        off = np.where(known, off - (off.sum(axis=1) / known.sum(axis=1))[:, None], 0.0)
    return off


def _aligned(
    cycles: Tracks,
    known: Bools,
    begins: Floats,
    ends: Floats,
    ramps: tuple[float, float, float],
    *,
    steps: int,
) -> tuple[Floats, Floats]:
    """Move the beginning of each cycle's ramps to where they fit best (Gauss and Newton)."""
    corners, slopes = ramp_bends(*ramps)
    for _ in range(steps):
        off = _residuals(cycles, known, begins, ends, ramps)
        since = since_bends(cycles, begins, ends, corners)
        bent = (since > 0.0) * 1.0 if cycles.rate else since
        moves = []
        for pair in (slice(0, 2), slice(2, 4)):
            d = np.where(known, -np.einsum("j,jcm->cm", slopes[pair], bent[pair]), 0.0)
            if not cycles.rate:
                d = np.where(known, d - (d.sum(axis=1) / known.sum(axis=1))[:, None], 0.0)
            moves.append(d)
        a, b = moves
        aa, ab, bb = (a * a).sum(axis=1), (a * b).sum(axis=1), (b * b).sum(axis=1)
        ra, rb = (a * off).sum(axis=1), (b * off).sum(axis=1)
        det = aa * bb - ab * ab
        good = det > 1e-12 * aa * bb
        det = np.where(good, det, 1.0)
        most = 0.25 * max(ramps[0], ramps[1], 0.004)
        begins = begins + np.clip(np.where(good, (ra * bb - rb * ab) / det, 0.0), -most, most)
        ends = ends + np.clip(np.where(good, (rb * aa - ra * ab) / det, 0.0), -most, most)
    return begins, ends
