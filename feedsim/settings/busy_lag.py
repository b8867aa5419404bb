"""What a lag that is not over adds to the belt travel for which a feeder is busy.

A cycle whose ramps and lag are over when the next edge passes takes insert pitch/g of counted
travel and what clutch and ticks take (:func:`feedsim.settings.predict.cycle_time`). Else that edge
passes some time later than it would, δ (below 0: sooner), and the clutch opens as much later; the
insert stages w·δ further on, w the feed's speed, so that the next cycle has a way that is shorter
by w·δ. So the n-th cycle takes δ_n − δ_(n−1) longer: nothing on average, but most behind a long gap
and behind a cycle that opened early, which are those that make a carrier find the feeder busy.
Rows of cycles (:mod:`feedsim.settings.cycle_rows`) tell both (derived in feedsim/MODEL.md, section
13, fact 6).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from feedsim.arrays import Floats
from feedsim.motion.feed_piece import steady_lag
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import merged
from feedsim.settings.cycle_rows import (
    FORGETS,
    Line,
    Rows,
    begun,
    cycle_of,
    draws,
    least_gap,
    line_of,
    step,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.predict import corrected_later
from feedsim.settings.spreads import busy_travel, gaps, staged_nose

_WAIT, _COUNTED, _GROUPS = 5, 4, 32
_MATTERS, _FAR, _FURTHEST = 0.5, 5.0, 4.0
_NARROW_MM = 1e-3


@term
def busy_longer(at: FeederAtSpeed) -> Distribution:
    """Return what the lag adds to :func:`busy_travel` (mm); nothing where it is over.

    The effect of the gap of the same cycle is straight, by its slope where gaps lie that keep a
    feeder busy until the next carrier: with it a gap counts b instead of (1 + ε)/g, and what that
    adds to its variance is a normal part. The rest, from the lag at the closing and from the cycle
    before, is a part of a few values. Nothing as well where it would be more than all else spreads:
    such cycles do not follow each other as any law of one cycle says.
    """
    busy = busy_travel(at)
    if not _may_matter(at, busy):
        return Distribution()
    line = line_of(at, cycle_of(at))
    if not len(line.marks_mm):
        return Distribution()
    half = 0.5 * max(at.inserts.gap_sd_mm, _NARROW_MM)
    beyond = _gap_beyond(at, busy)
    ends = [gaps(at).average + beyond + by for by in (-half, half)]
    low, high = np.concatenate(list(_followed(at, line, ends)), axis=1)
    slope = float(np.mean(high - low)) / (2.0 * half)
    rest = 0.5 * (low + high) - slope * beyond
    b = at.belt_per_feed
    more = math.sqrt(max(0.0, (b + slope) ** 2 - b * b)) * gaps(at).sd
    law = Distribution(
        normal_sd=more,
        choices=(merged(rest, np.full(len(rest), 1.0 / len(rest)), most=_GROUPS),),
    )
    return law if law.sd < busy.sd else Distribution()


def _may_matter(at: FeederAtSpeed, busy: Distribution) -> bool:
    """Return whether a lag may change who finds the feeder busy.

    What the ramp-in leaves behind its end falls by e^(−K·t) until the edge passes, and so does
    what the cycle before left, each from no more than the lag λ at feed speed; the edge is that
    behind a gap two standard deviations short. It matters from half of what spreads pitch and cycle
    on, if the soonest carrier, normal parts to 5 standard deviations, may find the feeder busy, and
    the usual one does not.
    """
    servo, w, ins, arrival = at.feeder.servo, at.feed_mm_s, at.inserts, at.carriers.arrival
    lag = steady_lag(w, servo.loop_gain_per_s, servo.velocity_feedforward)
    if lag == 0.0:
        return False
    ramp, _ = at.feeder.clutch.ramps_s(at.counted_mm_s)
    way = ins.pitch_mm - 2.0 * ins.gap_sd_mm - at.settings.stage_position_mm
    edge_s = max(0.0, (way + lag) / w - 0.5 * ramp)
    most = 2.0 * at.belt_per_feed * lag * math.exp(-servo.loop_gain_per_s * edge_s)
    if most < _MATTERS * math.hypot(busy.sd, arrival.sd_mm):
        return False
    soonest = at.carriers.length_mm + arrival.least_gap_mm(_FAR)
    return soonest < busy.average + _FAR * busy.sd + most and busy.average < arrival.pitch_mm


def _gap_beyond(at: FeederAtSpeed, busy: Distribution) -> float:
    """Return how much longer than usual (mm) a gap is on average in a cycle just too long.

    Of a sum of normal parts that lies z standard deviations off, a part of standard deviation s
    lies z·s²/sd off on average (regression, any text on probability).
    """
    arrival, sd = at.carriers.arrival, gaps(at).sd
    whole = math.hypot(busy.sd, arrival.sd_mm)
    if whole == 0.0:
        return 0.0
    z = (arrival.pitch_mm - busy.average) / whole
    return min(_FURTHEST, max(-_FURTHEST, z)) * at.belt_per_feed * sd / whole * sd


def _followed(at: FeederAtSpeed, line: Line, gaps_mm: list[float]) -> Iterator[Floats]:
    """Yield by how much longer (mm) cycles keep the feeder busy, shape (gaps, rows), each in turn.

    At first carriers wait for the feeder, so that cycles do not begin as none does in a row.
    """
    staged, cycle, per_feed = staged_nose(at), line.cycle, at.belt_per_feed
    rows, off_mm = begun(line, staged.average), staged.sd
    settled = cycle.lag_mm + cycle.feed_mm_s * (cycle.opens_s + 0.5 * cycle.out_s)
    for number, drawn in enumerate(draws()[: FORGETS + _COUNTED]):
        there = line._replace(room_mm=math.inf) if number < _WAIT else line
        then = step(there, rows, least_gap(line, rows), drawn, off_mm=off_mm)
        rows = then.rows
        if number < FORGETS:
            continue
        before = per_feed * (settled - (then.opened.end_mm - then.way_mm))
        if at.settings.stage_correction:
            corrected = rows.closed_mm - line.marks_mm[rows.mark]
            before = corrected + per_feed * (settled - rows.staged_mm) - corrected_later(at)
        yield np.array([before + _longer(line, rows, gap) for gap in gaps_mm])


def _longer(line: Line, rows: Rows, gap_mm: float) -> Floats:
    """Return by how much longer (mm of belt travel) cycles are than with ramps and lag over."""
    cycle = line.cycle
    way = line.inserts.length_mm + gap_mm - rows.staged_mm
    rests = cycle.opened(cycle.time_at(way, rows.left_mm)).rests_s
    over = (way + cycle.lag_mm) / cycle.feed_mm_s + 0.5 * cycle.in_s + cycle.opens_s + cycle.out_s
    found: Floats = line.speed_mm_s * (rests - over)
    return found
