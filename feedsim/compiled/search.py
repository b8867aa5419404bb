"""The next result of an insert eye for a search (model, sections 4 and 8)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.compiled.state import Lane, Row
from feedsim.draws.line_draws import InsertDraw
from feedsim.motion.feed import FeedMotion, feed_position, feed_time_at
from feedsim.motion.master import Master, next_scan_tick, reading_at
from feedsim.motion.ticks import SAME_INSTANT_S, SAME_TRAVEL_MM
from feedsim.simulation.input_level import (
    EyeVerdict,
    decide,
    level_slipped,
    level_stands,
    level_take,
)

Cards = Sequence[InsertDraw]
Rows = Sequence[Row]

# what becomes of the next insert at the eye
SEEN, MISSED, MERGED, TOO_SHORT, IGNORED, BEYOND_LIMIT, OUT_OF_CARDS = 0, 1, 2, 3, 4, 5, 6


def plan_search(  # noqa: PLR0911 - a way out for each fate
    lane: Lane, feed: FeedMotion, master: Master, cards: Cards
) -> tuple[float, int]:
    """Return when the eye has its next result (s), and which."""
    last = lane.limit_mm + SAME_TRAVEL_MM
    while True:
        i = lane.next_insert - lane.first_card
        if i >= len(cards):
            return math.inf, OUT_OF_CARDS
        drawn, missed = cards[i].drawn, cards[i].missed
        seen_mm = cards[i].seen_edge_mm if drawn and not missed else cards[i].nose_mm
        edge_mm = lane.first_nose_mm + seen_mm
        if edge_mm > last:
            return feed_time_at(feed, lane.limit_mm), BEYOND_LIMIT
        if drawn:
            break
        lane.next_insert += 1
    passes = feed_time_at(feed, edge_mm)
    if missed:
        return passes, MISSED
    if lane.has_level:
        switches, fate = _behind_filter(lane, feed, master, cards, passes_s=passes)
    elif _merges(lane, feed, edge_mm, passes_s=passes):
        return passes, MERGED
    else:
        switches, fate = passes + cards[i].eye_delay_s, SEEN
    if fate == SEEN and switches < lane.since_s - SAME_INSTANT_S:
        return switches, IGNORED
    if switches < math.inf and feed_position(feed, switches) > last:
        return passes, fate if fate != SEEN else IGNORED
    return switches, fate


def _behind_filter(
    lane: Lane, feed: FeedMotion, master: Master, cards: Cards, *, passes_s: float
) -> tuple[float, int]:
    if passes_s == math.inf:
        return passes_s, SEEN
    i, level = lane.next_insert - lane.first_card, lane.level
    decision = decide(
        level,
        master,
        passes_s=passes_s,
        switches_s=passes_s + cards[i].eye_delay_s,
        off_s=_goes_off(lane, feed, lane.first_nose_mm + cards[i].nose_mm + cards[i].length_mm),
        output_off_s=_goes_off(lane, feed, level.output_mm),
        input_off_s=_goes_off(lane, feed, level.input_mm),
    )
    lane.looked = True
    kept = lane.decision
    kept.since_s, kept.on_s, kept.counts, kept.shown = (
        decision.since_s,
        decision.on_s,
        decision.counts,
        decision.shown,
    )
    if decision.seen == EyeVerdict.SWITCHES:
        return decision.t, SEEN
    return decision.t, MERGED if decision.seen == EyeVerdict.MERGES else TOO_SHORT


def _goes_off(lane: Lane, feed: FeedMotion, tail_mm: float) -> float:
    """Return when the output goes off behind a tail (s)."""
    if tail_mm == -math.inf:
        return tail_mm
    return feed_time_at(feed, tail_mm) + lane.off_response_s


def _merges(lane: Lane, feed: FeedMotion, edge_mm: float, *, passes_s: float) -> bool:
    """Return whether the output is still on from the insert before."""
    if edge_mm - lane.held_mm > lane.reach_mm:
        return False
    return passes_s < _goes_off(lane, feed, lane.held_mm) - SAME_INSTANT_S


def capture(lane: Lane, master: Master, cards: Cards, *, t: float) -> None:
    """Take the insert that switches the eye at time ``t`` (s) as found."""
    known_s = next_scan_tick(master, t)
    _find(lane, cards)
    lane.found_captured_s = known_s if lane.scanned else t
    lane.found_known_s = known_s
    lane.found_reading = reading_at(master, lane.found_captured_s)
    _pass_by(lane, cards, holds=True)


def take_staged(lane: Lane, cards: Cards) -> None:
    """Take insert 0 as staged at the start: seen, its nose past the eye."""
    _find(lane, cards)
    lane.found_nose_mm = lane.first_nose_mm
    _pass_by(lane, cards, holds=True)


def stray(lane: Lane, cards: Cards, rows: Rows) -> None:
    """Let the next insert go past, uncaptured."""
    lane.strays += 1
    if lane.carrier >= 0:
        rows[lane.carrier].strays += 1
    _pass_by(lane, cards, holds=lane.fate != MISSED)


def slipped(lane: Lane, feed_mm: float) -> None:
    """Let the insert that is engaged fall back, and its tail with it, if it is over the eye."""
    if lane.found == lane.held_number and feed_mm < lane.held_mm:
        lane.held_mm += lane.found_slip_mm
        if lane.has_level:
            level_slipped(lane.level, lane.found_slip_mm)


def _find(lane: Lane, cards: Cards) -> None:
    i = lane.next_insert - lane.first_card
    lane.found = lane.next_insert
    lane.found_nose_mm = lane.first_nose_mm + cards[i].nose_mm
    lane.found_length_mm, lane.found_slip_mm = cards[i].length_mm, cards[i].slip_mm
    lane.found_double, lane.found_called = (
        not math.isnan(cards[i].double_mm),
        cards[i].called_double,
    )


def _pass_by(lane: Lane, cards: Cards, *, holds: bool) -> None:
    """Record that the next insert has passed the eye; it may hold the output on."""
    i = lane.next_insert - lane.first_card
    if holds:
        lane.held_mm = lane.first_nose_mm + cards[i].nose_mm + cards[i].length_mm
        lane.held_number = lane.next_insert
        if lane.has_level and lane.looked:
            level_take(lane.level, lane.decision, lane.held_mm)  # type: ignore[arg-type]
        elif lane.has_level:
            level_stands(lane.level, lane.held_mm)
        lane.looked = False
    lane.drawn += 1
    if not math.isnan(cards[i].double_mm):
        lane.drawn += 1
        lane.second_halves += 1
    lane.next_insert += 1
