"""Feed cycles at a steady speed, many side by side, one after another.

Each depends on the one before, by the lag that it left and by where it staged, and on when the next
carrier comes. Gaps, openings and what passes unseen are fixed draws, spread evenly; carriers are
those of the stream that the eye shows (derived in feedsim/MODEL.md, section 13, fact 16). Rows
begin without lag, at places spread over that stream, and forget it within :data:`FORGETS` cycles.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.machine import Inserts
from feedsim.motion.capture import eye_delay
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.kept import mark_to_act
from feedsim.settings.late_acts import late_opening_mean
from feedsim.settings.levels import filters, gap_lasts
from feedsim.settings.marks import may_be_full, needed_gap
from feedsim.settings.nominal import clipped_draws, clipped_slip_mean
from feedsim.settings.one_cycle import Cycle, Opened
from feedsim.settings.places import with_a_place
from feedsim.settings.predict import opening_bias, until_next_tick
from feedsim.settings.seen import carriers_seen, fractions

ROWS, FORGETS = 128, 7
_MOST, _TRIES = 16, 3


class Line(NamedTuple):
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

    def closing(self, rows: Rows, ready_mm: Floats, staged_mm: Floats) -> tuple[Floats, Places]:
        """Return when (mm of belt travel) the clutch closes next, and for which mark."""
        first = np.searchsorted(self.marks_mm, ready_mm - self.room_mm)
        mark = np.minimum(np.maximum(first, rows.mark + 1), len(self.marks_mm) - 1)
        later = self.belt_per_feed * (staged_mm - self.stage_mm)
        return np.maximum(self.marks_mm[mark] + later, ready_mm), mark


class Rows(NamedTuple):
    """Cycles side by side as their clutches close, shape (rows,) or (rows, 1).

    ``closed_mm``: belt travel. ``left_mm``: lag. ``staged_mm``: where the insert rests.
    """

    closed_mm: Floats
    mark: Places
    left_mm: Floats
    staged_mm: Floats

    def upright(self) -> Rows:
        """Return the same as columns, shape (rows, 1)."""
        closed, mark, left, staged = self
        return Rows(closed[:, None], mark[:, None], left[:, None], staged[:, None])


class Drawn(NamedTuple):
    """The draws of one cycle, shape (…, rows): standard deviations, and fractions."""

    off_sds: Floats
    gap_sds: Floats
    chances: Floats


class Step(NamedTuple):
    """One cycle of all rows, shape (rows,), and the rows as it has ended.

    ``way_mm``: feed travel to the edge that opens the clutch. ``edge_s``: when it passes its eye,
    from the start of the cycle. ``lasts_s``: from this closing to the next.
    """

    way_mm: Floats
    edge_s: Floats
    opened: Opened
    lasts_s: Floats
    rows: Rows


def line_of(at: FeederAtSpeed, cycle: Cycle) -> Line:
    """Return what rows of a feeder's cycles share."""
    ins, eye, engages = at.inserts, at.eye, at.controller.not_ready_engages
    room = max(0.0, at.carriers.reach_mm(at.settings))
    needs = gap_lasts(eye, at.controller).average if filters(eye) else 0.0
    return Line(
        cycle=cycle,
        inserts=ins,
        stage_mm=at.settings.stage_position_mm,
        placement_mm=at.feeder.insert_eye_to_placement_mm,
        speed_mm_s=at.speed_mm_s,
        marks_mm=_marks(at),
        room_mm=room if engages else 0.0,
        off_s=eye.off_response_s + needs,
        slip_mm=clipped_slip_mean(ins),
        gone=1.0 - at.feeder.found_share,
        belt_per_feed=at.belt_per_feed if at.settings.stage_correction else 0.0,
    )


def cycle_of(at: FeederAtSpeed) -> Cycle:
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
    if may_be_full(at):  # each kept for the mean travel
        free = edges - mark_to_act(at).average
        edges = edges[with_a_place(edges, free, places=at.controller.mark_memory)]
    return np.concatenate((edges, edges + around))


@lru_cache(maxsize=1)
def draws() -> tuple[Drawn, ...]:
    """Return draws of 16 cycles: each of evenly spread fractions, in an order of its own."""
    from scipy.special import ndtri

    drawn = fractions(_MOST * (1 + 2 * _TRIES) * ROWS)
    drawn = drawn.reshape(_MOST, -1, ROWS)
    even = (np.argsort(drawn, axis=2) + 0.5) / ROWS
    return tuple(Drawn(ndtri(e[0]), ndtri(e[1 : 1 + _TRIES]), e[1 + _TRIES :]) for e in even)


def begun(line: Line, staged_mm: float | Floats) -> Rows:
    """Return rows that begin at places spread over the stream, without lag."""
    mark = np.arange(ROWS) * (len(line.marks_mm) // 2) // ROWS
    none = np.zeros(ROWS)
    return Rows(line.marks_mm[mark], mark, none, none + staged_mm)


def step(line: Line, rows: Rows, least: Floats, drawn: Drawn, *, off_mm: float) -> Step:
    """Return the next cycle.

    ``least``: of :func:`least_gap`. ``off_mm``: spread of stages by openings, taken as normal.
    """
    ins, cycle = line.inserts, line.cycle
    way, found = -rows.staged_mm, np.zeros(ROWS, dtype=np.bool_)
    unseen = line.cycle.unseen(rows.left_mm)
    for sds, chance in zip(drawn.gap_sds, drawn.chances, strict=True):
        gap = clipped_draws(sds, ins.min_gap_mm, mean=ins.gap_mm, sd=ins.gap_sd_mm)
        way = np.where(found, way, way + ins.length_mm + gap)
        found |= (gap > least) & (way > -unseen) & (chance >= line.gone)
        least = np.full(ROWS, cycle.feed_mm_s * line.off_s)
    edge = cycle.time_at(way, rows.left_mm)
    opened = cycle.opened(edge)
    staged = opened.end_mm - way + off_mm * drawn.off_sds
    ready = rows.closed_mm + line.speed_mm_s * (opened.rests_s + cycle.busy_s)
    closed, mark = line.closing(rows, ready, staged)
    lasts = (closed - rows.closed_mm) / line.speed_mm_s
    after = Rows(closed, mark, cycle.left(opened, lasts, rows.left_mm), staged)
    return Step(way, edge, opened, lasts, after)


def least_gap(line: Line, rows: Rows) -> Floats:
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
