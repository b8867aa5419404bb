"""Inserts that land only in the next cycle: short of their placement point at the next closing.

So it is behind a gap that is too short for ramps and lag: the next edge comes early, so that the
clutch opens early and stages short, and the lag that is left at the closing keeps the feed short of
rest. Both depend on the cycle before, by the lag that it left and by where it staged, and on when
the next carrier comes. Rows of cycles with fixed draws are followed side by side until they have
forgotten how they began; the share of gaps too short for the last cycle of each is then that of the
law of gaps (derived in feedsim/MODEL.md, section 13, fact 16).
"""

from __future__ import annotations

import math
from collections import deque
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.machine import Inserts
from feedsim.motion.capture import eye_delay
from feedsim.probability.distribution import Distribution, SharesBelow
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.kept import mark_to_act
from feedsim.settings.late_acts import late_opening_mean
from feedsim.settings.levels import filters, gap_lasts
from feedsim.settings.marks import may_be_full, needed_gap
from feedsim.settings.nominal import clipped_slip_mean, following_time
from feedsim.settings.one_cycle import Cycle
from feedsim.settings.predict import opening_bias, until_next_tick
from feedsim.settings.seen import carriers_seen, fractions
from feedsim.settings.sources import slips
from feedsim.settings.spreads import gaps, staged_nose

_ROWS, _FORGETS, _COUNTED, _TRIES, _CELLS = 128, 7, 3, 3, 64
_FAR, _SD, _NARROW_MM, _IN_A_ROW = 8.0, 5.0, 1e-3, 3
_TURNS = math.pi * np.linspace(0.0, 0.5, 4)


class _Line(NamedTuple):
    """What all rows share (mm of feed; belt: of belt travel).

    ``marks_mm``: belt travel of points that the program may act on, twice around. ``room_mm``: belt
    travel for which one may wait for the feeder. ``off_s``: how long the eye's output takes to drop
    in a gap. ``gone``: share of inserts that are misfed or that the eye misses. ``belt_per_feed``:
    what a stage correction moves a point by; 0 without it.
    """

    cycle: Cycle
    inserts: Inserts
    stage_mm: float
    placement_mm: float
    speed_mm_s: float
    marks_mm: Floats
    room_mm: float
    off_s: float
    slip_mm: float
    gone: float
    belt_per_feed: float

    def closing(self, rows: _Rows, ready_mm: Floats, staged_mm: Floats) -> tuple[Floats, Places]:
        """Return when (mm of belt travel) the clutch closes next, and for which mark."""
        first = np.searchsorted(self.marks_mm, ready_mm - self.room_mm)
        mark = np.minimum(np.maximum(first, rows.mark + 1), len(self.marks_mm) - 1)
        later = self.belt_per_feed * (staged_mm - self.stage_mm)
        return np.maximum(self.marks_mm[mark] + later, ready_mm), mark


class _Rows(NamedTuple):
    """Cycles side by side as their clutches close, shape (rows,) or (rows, 1).

    ``closed_mm``: belt travel. ``left_mm``: lag. ``staged_mm``: where the insert rests.
    """

    closed_mm: Floats
    mark: Places
    left_mm: Floats
    staged_mm: Floats

    def upright(self) -> _Rows:
        """Return the same as columns, shape (rows, 1)."""
        closed, mark, left, staged = self
        return _Rows(closed[:, None], mark[:, None], left[:, None], staged[:, None])


class _Drawn(NamedTuple):
    """The draws of one cycle, shape (…, rows): standard deviations, and fractions."""

    off_sds: Floats
    gap_sds: Floats
    chances: Floats


@term
def lands_in_next(at: FeederAtSpeed) -> float:
    """Return the share of inserts that land only in the next cycle.

    Those of searches that go on past an insert have a long way behind them, and land before.
    """
    staged, slipped = staged_nose(at), slips(at).times(-1.0)
    ins, clutch = at.inserts, at.feeder.clutch
    there = staged.plus(gaps(at), slipped)
    ramps_s = (clutch.ramp_in + clutch.ramp_out) / (at.counted_mm_s if clutch.travel_ramp else 1.0)
    # each ramp costs half its travel at most, and each of two and a start λ of lag
    costs = at.feed_mm_s * (0.5 * ramps_s + 3.0 * following_time(at.feeder.servo))
    if there.average - _FAR * there.sd > _way(at) + costs:
        return 0.0
    cycle, noise = _cycle(at), staged.shifted(-staged.average)
    if _all_land(at, cycle, there):
        return 0.0
    line = _line(at, cycle)
    if not len(line.marks_mm):
        return 0.0
    rows = _begun(line, staged.average)
    needs, short = noise.plus(slipped).times(-1.0).shares_below(), 0.0
    for number, drawn in enumerate(_draws()):
        least = _least(line, rows)
        if number >= _FORGETS:
            short += _too_short(line, rows, least, needs) / _COUNTED
        rows = _next(line, rows, least, drawn, off_mm=noise.sd)
    return max(0.0, (1.0 - line.gone) * (1.0 - ins.double) * short)


def _all_land(at: FeederAtSpeed, cycle: Cycle, there: Distribution) -> bool:
    """Return whether inserts land that all spreads leave as short as they can (normal ones: 8 sd).

    A short gap costs the most, since its edge comes early; so it does behind an insert that is
    staged far on, most where that edge passes the eye as the clutch closes. What is left of the
    spreads once no gap is shorter is taken from the way. Each cycle follows at once. ``there``: the
    law of stage, gap and slip.
    """
    staged, ins = staged_nose(at), at.inserts
    (low, high), (least, _) = staged.bounds(), there.bounds()
    further = _FAR * staged.normal_sd * np.sin(_TURNS)
    wanted = ins.gap_mm - _FAR * there.normal_sd * np.cos(_TURNS)
    gap = np.maximum(ins.min_gap_mm, wanted)
    ends = low - further, high + further
    nose = np.array([*ends, np.clip(ins.length_mm + gap, *ends)])
    left = reaches = np.zeros(nose.shape)
    for _ in range(_IN_A_ROW):
        opened = cycle.opened(cycle.time_at(ins.length_mm + gap - nose, left))
        left = cycle.left(opened, opened.rests_s + cycle.busy_s - cycle.delay_s, left)
        reaches = opened.end_mm - left + nose - at.feeder.insert_eye_to_placement_mm
    return bool(np.min(reaches - (gap - wanted)) > slips(at).average + there.average - least)


def _way(at: FeederAtSpeed) -> float:
    return at.feeder.insert_eye_to_placement_mm - at.inserts.length_mm


def _line(at: FeederAtSpeed, cycle: Cycle) -> _Line:
    ins, eye, engages = at.inserts, at.eye, at.controller.not_ready_engages
    room = max(0.0, at.carriers.length_mm - at.settings.target_offset_mm)
    needs = gap_lasts(eye, at.controller).average if filters(eye) else 0.0
    return _Line(
        cycle=cycle,
        inserts=ins,
        stage_mm=at.settings.stage_position_mm,
        placement_mm=at.feeder.insert_eye_to_placement_mm,
        speed_mm_s=at.speed_mm_s,
        marks_mm=_marks(at),
        room_mm=room if engages else 0.0,
        off_s=eye.off_response_s + needs,
        slip_mm=clipped_slip_mean(ins),
        gone=1.0 - (1.0 - ins.misfeed) * (1.0 - eye.missed),
        belt_per_feed=at.belt_per_feed if at.settings.stage_correction else 0.0,
    )


def _cycle(at: FeederAtSpeed) -> Cycle:
    """Return the feed cycle, its opening where settings, counts and ticks have it on average."""
    v, travel, servo = at.counted_mm_s, at.opening_travel_mm, at.feeder.servo
    acts = travel - 0.5 * at.count_mm + opening_bias(at, travel) + late_opening_mean(at)
    wait = eye_delay(at.eye, at.controller) + 0.5 * at.controller.motion_cycle_s
    return Cycle.of(
        at.feeder.clutch,
        servo,
        counted_mm_s=v,
        ratio=at.settings.speed_ratio,
        sees_s=servo.command_delay_s + at.eye.response_s + at.eye.filter_s,
        opens_s=acts / v + wait + servo.command_delay_s,
        busy_s=servo.command_delay_s + at.feeder.clutch.settle_s + until_next_tick(at),
    )


def _marks(at: FeederAtSpeed) -> Floats:
    """Return the edges (mm) of a stream of carriers that the eye shows and the memory takes."""
    c, eye = at.carriers, at.carrier_eye
    seen = carriers_seen(c, 1.0 - eye.missed, eye.edge_sd_mm)
    edges = seen.edge[needed_gap(at).shows(seen)]
    if not len(edges):
        return edges
    around = float(edges[-1]) + c.pitch_mm
    if may_be_full(at):
        edges = _with_a_place(edges, at)
    return np.concatenate((edges, edges + around))


def _with_a_place(edges: Floats, at: FeederAtSpeed) -> Floats:
    """Return the edges that find a place, each kept for a mean travel: first in, first out."""
    kept, places = mark_to_act(at).average, at.controller.mark_memory
    taken: deque[float] = deque([-math.inf] * places, maxlen=places)
    found = []
    for edge in edges.tolist():
        if edge >= taken[0] + kept:
            taken.append(edge)
            found.append(edge)
    return np.array(found)


@lru_cache(maxsize=1)
def _draws() -> tuple[_Drawn, ...]:
    """Return the draws of all cycles: each of evenly spread fractions, in an order of its own."""
    from scipy.special import ndtri

    drawn = fractions((_FORGETS + _COUNTED) * (1 + 2 * _TRIES) * _ROWS)
    drawn = drawn.reshape(_FORGETS + _COUNTED, -1, _ROWS)
    even = (np.argsort(drawn, axis=2) + 0.5) / _ROWS
    return tuple(_Drawn(ndtri(e[0]), ndtri(e[1 : 1 + _TRIES]), e[1 + _TRIES :]) for e in even)


def _begun(line: _Line, staged_mm: float) -> _Rows:
    """Return rows that begin at places spread over the stream, without lag."""
    mark = np.arange(_ROWS) * (len(line.marks_mm) // 2) // _ROWS
    none = np.zeros(_ROWS)
    return _Rows(line.marks_mm[mark], mark, none, none + staged_mm)


def _next(line: _Line, rows: _Rows, least: Floats, drawn: _Drawn, *, off_mm: float) -> _Rows:
    """Return the rows a cycle later.

    ``least``: of :func:`_least`. ``off_mm``: spread of stages by openings, taken as normal.
    """
    ins, cycle = line.inserts, line.cycle
    sd = ins.gap_sd_mm
    way, found = -rows.staged_mm, np.zeros(_ROWS, dtype=np.bool_)
    unseen = line.cycle.unseen(rows.left_mm)
    for sds, chance in zip(drawn.gap_sds, drawn.chances, strict=True):
        gap = np.maximum(ins.min_gap_mm, ins.gap_mm + sd * sds)
        way = np.where(found, way, way + ins.length_mm + gap)
        found |= (gap > least) & (way > -unseen) & (chance >= line.gone)
        least = np.full(_ROWS, cycle.feed_mm_s * line.off_s)
    opened = cycle.opened(cycle.time_at(way, rows.left_mm))
    staged = opened.end_mm - way + off_mm * drawn.off_sds
    ready = rows.closed_mm + line.speed_mm_s * (opened.rests_s + cycle.busy_s)
    closed, mark = line.closing(rows, ready, staged)
    lasts = (closed - rows.closed_mm) / line.speed_mm_s
    return _Rows(closed, mark, cycle.left(opened, lasts, rows.left_mm), staged)


def _least(line: _Line, rows: _Rows) -> Floats:
    """Return the shortest gap (mm) behind which an edge is found in this cycle.

    The next nose must not have passed the eye at the closing, nor come before the output has
    dropped behind a tail that passes after it.
    """
    length, left = line.inserts.length_mm, rows.left_mm
    early = rows.staged_mm - length - line.cycle.unseen(rows.left_mm)
    tail = length - rows.staged_mm + line.slip_mm
    # a tail that has passed does not matter, and would take the most rounds
    drops_s = line.cycle.time_at(np.maximum(tail, line.slip_mm), left) + line.off_s
    merged = line.cycle.travel(drops_s, left) + rows.staged_mm - length
    return np.where(tail > line.slip_mm, np.maximum(early, merged), early)


def _too_short(line: _Line, rows: _Rows, least: Floats, needs: SharesBelow) -> float:
    """Return the share of gaps that leave an insert short of its placement point.

    ``least``: of :func:`_least`. ``needs``: the law of how much further than on average the feed
    must run (mm). Taken over cells of a gap in each of which the law of gaps is even, and what the
    feed reaches straight.
    """
    from scipy.special import ndtr

    ins, cycle = line.inserts, line.cycle
    least, rows = least[:, None], rows.upright()
    sd = max(ins.gap_sd_mm, _NARROW_MM)
    low = max(ins.min_gap_mm - _NARROW_MM, ins.gap_mm - _SD * sd)
    ends = [ins.length_mm + gap - rows.staged_mm for gap in (low, ins.gap_mm + _SD * sd)]
    first, last = (cycle.time_at(end, rows.left_mm) for end in ends)
    edge_s = first + (last - first) * np.linspace(0.0, 1.0, _CELLS + 1)
    way = cycle.travel(edge_s, rows.left_mm)
    opened = cycle.opened(edge_s)
    ready = rows.closed_mm + line.speed_mm_s * (opened.rests_s + cycle.busy_s)
    closed, _ = line.closing(rows, ready, opened.end_mm - way)
    lasts = (closed - rows.closed_mm) / line.speed_mm_s - cycle.delay_s
    reaches = opened.end_mm - cycle.left(opened, lasts, rows.left_mm)
    reaches += rows.staged_mm - line.placement_mm
    gap = np.maximum(way - ins.length_mm + rows.staged_mm, least)
    below = np.where(gap <= ins.min_gap_mm, 0.0, ndtr((gap - ins.gap_mm) / sd))
    found = np.diff(below, axis=1) * (1.0 - _mean_below(needs, reaches))
    return float(np.sum(found)) / _ROWS


def _mean_below(law: SharesBelow, limits: Floats) -> Floats:
    """Return the mean share below limits that go from each to the next, along the last axis.

    By the law's integral H, (H(b) − H(a))/(b − a).
    """
    places, shares = law.places, law.shares
    if len(places) == 1:
        places, shares = np.array([places[0], places[0] + _NARROW_MM]), np.array([0.0, 1.0])
    steps = 0.5 * (shares[1:] + shares[:-1]) * np.diff(places)
    integral = np.concatenate(([0.0], np.cumsum(steps)))
    whole = np.interp(limits, places, integral) + np.maximum(limits - places[-1], 0.0)
    wide = np.diff(limits, axis=-1)
    narrow = np.abs(wide) < _NARROW_MM
    mean = np.diff(whole, axis=-1) / np.where(narrow, 1.0, wide)
    middle = np.interp(limits[..., 1:] - 0.5 * wide, places, shares)
    return np.where(narrow, middle, mean)
