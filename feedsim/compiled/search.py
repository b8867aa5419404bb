"""The next result of an insert eye for a search (model, sections 4 and 8)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.compiled.state import FeederRow, Row
from feedsim.draws.line_draws import InsertDraw
from feedsim.machine import SAME_INSTANT_S, SAME_TRAVEL_MM
from feedsim.motion.capture import merges
from feedsim.motion.feed import FeedMotion, feed_position, feed_time_at
from feedsim.motion.master import Master, next_scan_tick, reading_at
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
    feeder: FeederRow, feed: FeedMotion, master: Master, cards: Cards
) -> tuple[float, int]:
    """Return when the eye has its next result (s), and which."""
    last = feeder.limit_mm + SAME_TRAVEL_MM
    while True:
        i = feeder.next_insert - feeder.first_card
        if i >= len(cards):
            return math.inf, OUT_OF_CARDS
        drawn, missed = cards[i].drawn, cards[i].missed
        seen_mm = cards[i].seen_edge_mm if drawn and not missed else cards[i].nose_mm
        edge_mm = feeder.first_nose_mm + seen_mm
        if edge_mm > last:
            return feed_time_at(feed, feeder.limit_mm), BEYOND_LIMIT
        if drawn:
            break
        feeder.next_insert += 1
    passes = feed_time_at(feed, edge_mm)
    if missed:
        return passes, MISSED
    if feeder.has_level:
        switches, fate = _behind_filter(feeder, feed, master, cards, passes_s=passes)
    elif merges(feeder.output, feed_time_at, feed, edge_mm, passes_s=passes):
        return passes, MERGED
    else:
        switches, fate = passes + cards[i].eye_delay_s, SEEN
    if fate == SEEN and switches < feeder.since_s - SAME_INSTANT_S:
        return switches, IGNORED
    if switches < math.inf and feed_position(feed, switches) > last:
        return passes, fate if fate != SEEN else IGNORED
    return switches, fate


def _behind_filter(
    feeder: FeederRow, feed: FeedMotion, master: Master, cards: Cards, *, passes_s: float
) -> tuple[float, int]:
    if passes_s == math.inf:
        return passes_s, SEEN
    i = feeder.next_insert - feeder.first_card
    decision = decide(
        feeder.level,
        feeder.output,
        feed_time_at,
        feed,
        master,
        passes_s=passes_s,
        switches_s=passes_s + cards[i].eye_delay_s,
        tail_mm=feeder.first_nose_mm + cards[i].nose_mm + cards[i].length_mm,
    )
    feeder.looked = True
    kept = feeder.decision
    kept.since_s, kept.on_s, kept.counts, kept.shown = (
        decision.since_s,
        decision.on_s,
        decision.counts,
        decision.shown,
    )
    if decision.seen == EyeVerdict.SWITCHES:
        return decision.t, SEEN
    return decision.t, MERGED if decision.seen == EyeVerdict.MERGES else TOO_SHORT


def capture(feeder: FeederRow, master: Master, cards: Cards, *, t: float) -> None:
    """Take the insert that switches the eye at time ``t`` (s) as found."""
    known_s = next_scan_tick(master, t)
    _find(feeder, cards)
    feeder.found_captured_s = known_s if feeder.scanned else t
    feeder.found_known_s = known_s
    feeder.found_reading = reading_at(master, feeder.found_captured_s)
    _pass_by(feeder, cards, holds=True)


def take_staged(feeder: FeederRow, cards: Cards) -> None:
    """Take insert 0 as staged at the start: seen, its nose past the eye."""
    _find(feeder, cards)
    feeder.found_nose_mm = feeder.first_nose_mm
    _pass_by(feeder, cards, holds=True)


def stray(feeder: FeederRow, cards: Cards, rows: Rows) -> None:
    """Let the next insert go past, uncaptured."""
    feeder.strays += 1
    if feeder.carrier >= 0:
        rows[feeder.carrier].strays += 1
    _pass_by(feeder, cards, holds=feeder.fate != MISSED)


def slipped(feeder: FeederRow, feed_mm: float) -> None:
    """Let the insert that is engaged fall back, and its tail with it, if it is over the eye."""
    output = feeder.output
    if feeder.found == feeder.held_number and feed_mm < output.held_mm:
        if feeder.has_level:
            level_slipped(feeder.level, output.held_mm, feeder.found_slip_mm)
        output.held_mm += feeder.found_slip_mm


def _find(feeder: FeederRow, cards: Cards) -> None:
    i = feeder.next_insert - feeder.first_card
    feeder.found = feeder.next_insert
    feeder.found_nose_mm = feeder.first_nose_mm + cards[i].nose_mm
    feeder.found_length_mm, feeder.found_slip_mm = cards[i].length_mm, cards[i].slip_mm
    feeder.found_double, feeder.found_called = (
        not math.isnan(cards[i].double_mm),
        cards[i].called_double,
    )


def _pass_by(feeder: FeederRow, cards: Cards, *, holds: bool) -> None:
    """Record that the next insert has passed the eye; it may hold the output on."""
    i = feeder.next_insert - feeder.first_card
    if holds:
        tail_mm = feeder.first_nose_mm + cards[i].nose_mm + cards[i].length_mm
        feeder.output.held_mm = tail_mm
        feeder.held_number = feeder.next_insert
        if feeder.has_level and feeder.looked:
            level_take(feeder.level, feeder.decision, tail_mm)  # type: ignore[arg-type]
        elif feeder.has_level:
            level_stands(feeder.level, tail_mm)
        feeder.looked = False
    feeder.drawn += 1
    if not math.isnan(cards[i].double_mm):
        feeder.drawn += 1
        feeder.second_halves += 1
    feeder.next_insert += 1
