"""What is left of a lag in cycles that are unlike: law of its effect on the placement.

Settings are right for cycles that are all alike. A gap, a pitch or a stage that is not the usual
one changes what is left of ramp and lag where an edge passes and where an insert lands, and so does
what the cycle before left. Rows of cycles (:mod:`feedsim.settings.cycle_rows`) tell how much later
each insert lands than it would if ramps and lags were over: it rests at x, w is the feed's speed
with the clutch closed, λ its lag then, and t the time from the cycle's start to the landing,

    v·(t − (S − x + slip + λ)/w − T_in/2) − (1 + ε)/g·(p − way − λ − w·(opens + T_out/2)),

of the cycle that staged it p the command's travel to rest, way the feed's to the edge that opened
the clutch, and opens the time from that edge to the start of the ramp-out. With stage correction
the second term is (1 + ε)/g times what the stage estimate is too far on (derived in
feedsim/MODEL.md, section 13, fact 17).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.motion.capture import eye_delay
from feedsim.motion.feed_piece import steady_lag
from feedsim.probability.distribution import Distribution
from feedsim.settings.cycle_rows import (
    FORGETS,
    ROWS,
    Line,
    Rows,
    Step,
    begun,
    cycle_of,
    draws,
    least_gap,
    line_of,
    step,
)
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_unseen import staged_further, strays
from feedsim.settings.nominal_cycle import no_cycle_because
from feedsim.settings.one_cycle import Opened
from feedsim.settings.right import right_settings, settled_settings
from feedsim.settings.seen import fractions
from feedsim.settings.spreads import staged_nose

_COUNTED, _GROUPS, _ROUNDS = 8, 64, 30
_MATTERS, _NOTHING_MM, _SAME_MM = 0.3, 0.02, 1e-6


def lag_left(at: FeederAtSpeed, sd_mm: float) -> Distribution | None:
    """Return what the lag adds to the placement error (mm); None where it hardly matters.

    That is where gaps, stages and cycles before spread it by less than three tenths of ``sd_mm``,
    the standard deviation of all else. It is taken as independent of all else but of what openings
    stage an insert off, on which it depends straight: what that adds is a normal part. Shares out
    of tolerance are some 0.015 off over random lines of large lags (0.077 without it).
    """
    if _size(at) <= max(_NOTHING_MM, _MATTERS * sd_mm) or no_cycle_because(at):
        return None
    line = line_of(at, cycle_of(at))
    if not len(line.marks_mm):
        return None
    staged = staged_nose(at)
    found = [np.concatenate(parts) for parts in zip(*_followed(at, line, staged), strict=True)]
    late, noise = found
    if not len(late):
        return None
    late += _expected(at)
    common = 0.0
    if not at.settings.stage_correction and staged.sd > 0.0:
        centred = noise - noise.mean()
        slope = float(centred @ late) / float(centred @ centred)
        per_mm = at.belt_per_feed
        both = (slope - per_mm) ** 2 - per_mm**2
        if both > 0.0:
            late -= slope * centred
            common = math.sqrt(both) * staged.sd
    return Distribution(normal_sd=common, choices=(_in_groups(late),))


def _size(at: FeederAtSpeed) -> float:
    """Return roughly by how much (mm) gap, stage and cycle before spread what is left of the lag.

    Left of it is λ·e^(−K·t) at most, t from the end of the ramp-in, and no more of what the cycle
    before left.
    """
    servo, clutch, ins = at.feeder.servo, at.feeder.clutch, at.inserts
    gain, w = servo.loop_gain_per_s, at.feed_mm_s
    lag = steady_lag(w, gain, servo.velocity_feedforward)
    if lag < _NOTHING_MM:
        return 0.0
    ramp, _ = clutch.ramps_s(at.counted_mm_s)
    stage = at.settings.stage_position_mm
    edge, landing = (
        (way - stage + lag) / w - 0.5 * ramp
        for way in (ins.pitch_mm, at.feeder.insert_eye_to_placement_mm)
    )

    def left(t: float) -> float:
        return lag * math.exp(-gain * max(0.0, t))

    first = min(edge - 3.0 * ins.gap_sd_mm / w, landing)
    if left(first) < _NOTHING_MM:
        return 0.0
    by_gaps = 0.5 * (left(edge - 2.0 * ins.gap_sd_mm / w) - left(edge))
    by_stage = left(landing - staged_nose(at).sd / w) - left(landing)
    before = left(min(edge, landing) + ramp + clutch.settle_s)
    return math.hypot(by_gaps, by_stage, before)


def _followed(
    at: FeederAtSpeed, line: Line, staged: Distribution
) -> Iterator[tuple[Floats, Floats]]:
    """Yield cycle by cycle how late inserts land (mm), and what their openings staged them off."""
    # where one insert that strays makes the next stray, few cycles do not tell how many do
    further = np.where(fractions(ROWS) < strays(at), staged_further(at), 0.0)
    rows, off_mm = begun(line, staged.average + further), staged.sd
    stage_late, noise = np.zeros(ROWS), np.zeros(ROWS)
    for number, drawn in enumerate(draws()[: FORGETS + _COUNTED]):
        then = step(line, rows, least_gap(line, rows), drawn, off_mm=off_mm)
        if number >= FORGETS:
            late, landed = _landing_late(line, rows, then)
            yield (late + stage_late)[landed], noise[landed]
        stage_late, noise = _stage_late(at, line, rows, then), off_mm * drawn.off_sds
        rows = then.rows


def _landing_late(line: Line, rows: Rows, then: Step) -> tuple[Floats, Bools]:
    """Return how late inserts land (mm), and which do before the clutch closes again."""
    cycle, opened, left = line.cycle, then.opened, rows.left_mm
    way = line.placement_mm - rows.staged_mm + line.slip_mm
    lands = cycle.time_at(way, left)
    landed = np.ones(ROWS, dtype=np.bool_)
    behind = np.flatnonzero(lands > opened.opens_s)
    if len(behind):
        there = Opened(*(each[behind] for each in opened))
        low, high = there.opens_s, np.maximum(then.lasts_s[behind] - cycle.delay_s, there.opens_s)
        landed[behind] = cycle.position(there, high, left[behind]) >= way[behind]
        for _ in range(_ROUNDS):
            middle = 0.5 * (low + high)
            short = cycle.position(there, middle, left[behind]) < way[behind]
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        lands[behind] = high
    settled = (way + cycle.lag_mm) / cycle.feed_mm_s + 0.5 * cycle.in_s
    return line.speed_mm_s * (lands - settled), landed


def _stage_late(at: FeederAtSpeed, line: Line, rows: Rows, then: Step) -> Floats:
    """Return how late (mm) the lag at their edges lets the next inserts land, by their stage."""
    cycle = line.cycle
    if at.settings.stage_correction:
        known_s = eye_delay(at.eye, at.controller)
        ran = cycle.travel(then.edge_s + known_s, rows.left_mm) - then.way_mm
        return at.belt_per_feed * (cycle.feed_mm_s * known_s - ran)
    settled = cycle.lag_mm + cycle.feed_mm_s * (cycle.opens_s + 0.5 * cycle.out_s)
    return -at.belt_per_feed * (then.opened.end_mm - then.way_mm - settled)


def _expected(at: FeederAtSpeed) -> float:
    """Return what settings for equal cycles add to those for ramps and lags that are over (mm)."""
    right, settled = right_settings(at), settled_settings(at)
    found = right.engage_distance_mm - settled.engage_distance_mm
    if not at.settings.stage_correction:
        found -= right.disengage_distance_mm - settled.disengage_distance_mm
    return at.scale * found


def _in_groups(values: Floats) -> dict[float, float]:
    """Return the means of neighbouring values, and the share of each group: fewest at the ends."""
    many = len(values)
    if float(np.ptp(values)) < _SAME_MM:
        return {float(values[0]): 1.0}
    ends = np.rint(many * 0.5 * (1.0 - np.cos(np.linspace(0.0, math.pi, _GROUPS + 1))))
    ends = np.unique(ends.astype(np.int64))
    sizes = np.diff(ends)
    means = np.add.reduceat(np.sort(values), ends[:-1]) / sizes
    found: dict[float, float] = {}
    for mean, size in zip(means.tolist(), sizes.tolist(), strict=True):
        found[mean] = found.get(mean, 0.0) + size / many
    return found
