"""Gaps between inserts that spread, where ramp or lag are not over at an edge or a landing.

Settings are right for a nominal gap. Behind a shorter one the next edge comes sooner, and the
clutch opens as long after it as always:

- the feed then lags its command by less than at the nominal edge, and stages by as much less;
- if it opens before the insert on its way has landed, that one lands while the feed slows down.

Both follow for a gap of any length from the motion of the nominal cycle, and their means from the
spread of gaps and openings, without those that merge or pass before the search (derived in
feedsim/MODEL.md, section 13, fact 15).
"""

from __future__ import annotations

import math
from statistics import fmean
from typing import NamedTuple

import numpy as np

from feedsim.motion.feed import FeedMotion
from feedsim.settings.equal_cycles import Cycles, Parts, equal_cycles, last_opened
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.mechanisms_unseen import early_staged, merged_inserts
from feedsim.settings.next_cycle import in_next
from feedsim.settings.nominal import clipped_draws, clipped_slip_mean
from feedsim.settings.nominal_cycle import counted_parts
from feedsim.settings.predict import landing_shift, staged_off
from feedsim.settings.spreads import placed_nose_at_opening

_QUANTILES, _RARE, _SELDOM = 32, 1e-5, 5e-4


class _Motion(NamedTuple):
    """The last of equal cycles, as it is and if it never opened; where an edge and a landing are.

    ``edge_mm``, ``landing_mm``: of inserts as they rest on average.
    """

    parts: Parts
    usual: Cycles
    feed: FeedMotion
    edge_mm: float
    landing_mm: float

    @classmethod
    def of(cls, at: FeederAtSpeed) -> _Motion | None:
        parts, ins = counted_parts(at), at.inserts
        usual, searching = equal_cycles(parts), equal_cycles(parts, opens=False)
        if usual is None or searching is None:
            return None
        rests = usual.start_mm - at.settings.stage_position_mm - staged_off(at)
        landing = rests + at.feeder.insert_eye_to_placement_mm + clipped_slip_mean(ins)
        return cls(parts, usual, searching.feed, rests + ins.pitch_mm, landing)

    def opened(self, sooner_mm: float) -> float:
        """Return when an insert lands (s) if the next edge is a travel further on than usual."""
        by_s = self.feed.time_at(self.edge_mm + sooner_mm) - self.feed.time_at(self.edge_mm)
        opened = last_opened(self.parts, by_s)
        return (opened or self.usual).feed.time_at(self.landing_mm)


class Early(NamedTuple):
    """What openings before the landing bring to the mean of all inserts (mm; above 0: late).

    ``most_mm``: its largest error. ``next_cycle``: share of inserts that land in the next cycle,
    ``next_cycle_mm``: what they bring to the mean, where that is known.
    """

    mean_mm: float = 0.0
    most_mm: float = 0.0
    next_cycle: float = 0.0
    next_cycle_mm: float = 0.0


@term
def behind_early_openings(at: FeederAtSpeed, served: float) -> Early:
    """Return what openings before the landing bring; ``served``: share of pitches that are served.

    An insert that the feed does not bring to the placement point lands once it runs again: no more
    of them, nor longer behind their own closing, than :func:`feedsim.settings.next_cycle.in_next`
    tells, and no longer than two closings are apart on average: a clutch that opens early is ready
    early. Few hardly reach that point, or do not, and make most of it: it is known to a third, or
    to a half of those that land in the next cycle, if these are no less than one in two thousand.
    """
    motion = _Motion.of(at)
    if motion is None:
        return Early()
    usual, feed = motion.usual, motion.feed
    lands_s, unopened_s = usual.feed.time_at(motion.landing_mm), feed.time_at(motion.landing_mm)
    since_edge_s = usual.start_s + usual.opening_s - feed.time_at(motion.edge_mm)
    latest_s = unopened_s - at.feeder.servo.command_delay_s - since_edge_s
    ends_s = usual.start_s + usual.period_s - lands_s
    if latest_s <= usual.start_s or ends_s <= 0.0:
        return Early()
    there = placed_nose_at_opening(at)
    law = there.shares_below()
    sooner = law.places - there.average
    share = float(np.interp(feed.position(latest_s) - motion.edge_mm, sooner, law.shares, left=0.0))
    lost = _short_gaps_lost(at)
    if share - lost < _RARE:
        return Early()
    at_once = at.feeder.found_share
    here_s, next_s, next_cycle = at_once * (1.0 - share) * (unopened_s - lands_s), 0.0, 0.0
    for k in range(_QUANTILES):  # denser at the shortest gaps, by the squares of even places
        place = (k + 0.5) / _QUANTILES
        part = lost + (share - lost) * place * place
        each = at_once * (share - lost) * 2.0 * place / _QUANTILES
        late_s = motion.opened(float(np.interp(part, law.shares, sooner))) - lands_s
        if late_s < ends_s:
            here_s += each * late_s
        else:
            next_s, next_cycle = next_s + each * late_s, next_cycle + each
    v, lands = at.speed_mm_s, in_next(at)
    if next_cycle > 0.0:
        apart_mm = min(lands.between_mm, at.carriers.pitch_mm / served if served else math.inf)
        each_s = next_s / next_cycle + apart_mm / v - usual.period_s
        next_cycle = min(next_cycle, lands.share)
        next_s = next_cycle * each_s
    known_s = next_s if next_cycle >= _SELDOM else 0.0
    most_s = abs(here_s) / 3.0 + (0.5 * next_s if known_s else next_s)
    return Early(v * (here_s + known_s), v * most_s, next_cycle, v * known_s)


@term
def by_early_edges(at: FeederAtSpeed) -> float:
    """Return the mean lateness (mm) that the lag at edges behind gaps of any length brings.

    None with stage correction, which knows what each insert is staged off.
    """
    from scipy.special import ndtri

    ins, motion = at.inserts, _Motion.of(at)
    if motion is None or ins.gap_sd_mm == 0.0 or at.settings.stage_correction:
        return 0.0
    lost = _short_gaps_lost(at)
    if lost >= 1.0:
        return 0.0
    parts = lost + (1.0 - lost) * (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    gaps = clipped_draws(ndtri(parts), ins.min_gap_mm, mean=ins.gap_mm, sd=ins.gap_sd_mm)
    edges = (motion.edge_mm + gaps - ins.gap_mm).tolist()
    sooner_s = motion.feed.time_at(motion.edge_mm) - fmean(map(motion.feed.time_at, edges))
    short = at.feed_mm_s * sooner_s - (motion.edge_mm - fmean(edges))
    short *= at.feeder.found_share * (1.0 - lost)
    staged = staged_off(at)
    landing = landing_shift(at, staged - short) - landing_shift(at, staged)
    return at.belt_per_feed * short + landing


def _short_gaps_lost(at: FeederAtSpeed) -> float:
    """Return the share of inserts that merge, or pass their eye before a usual search."""
    return 1.0 - (1.0 - merged_inserts(at)) * (1.0 - early_staged(at, 0.0))
