"""When the photo-eyes of a stretch are blocked: their outputs, as the program gets them."""

from __future__ import annotations

import math

import numpy as np

from feedsim.answers.rehearse.study.cards import Inserts
from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.stretch import Stretch
from feedsim.machine import Eye
from feedsim.metrics.plain import Plain
from feedsim.motion.ticks import SAME_INSTANT_S, next_tick
from feedsim.running.replay.eyes import Level, carrier_eye_runs, program_levels

__all__ = [
    "blocked_plain",
    "carrier_eye_blocked",
    "insert_eye_blocked",
    "insert_eye_runs",
    "program_input",
]


def carrier_eye_blocked(stretch: Stretch) -> list[Level]:
    """Return when the carrier eye's output is on; a merged carrier holds it on longer.

    It goes off ``off_response`` after the trailing edge (model, section 4).
    """
    return in_stretch(carrier_eye_runs(stretch), stretch)


def program_input(runs: list[Level], eye: Eye, stretch: Stretch) -> list[Level]:
    """Return what the program has of an output that has a filter, or is polled; else nothing."""
    phase_s, scan_s = stretch.draws.phases().ticks_s, stretch.machine.controller.scan_s
    levels = program_levels(runs, eye, lambda t: next_tick(t, phase_s, period=scan_s))
    return in_stretch(levels, stretch)


def insert_eye_blocked(stretch: Stretch, feeder: int, inserts: Inserts) -> list[Level]:
    """Return when an insert eye's output is on, whoever looks or not, in the stretch."""
    return in_stretch(insert_eye_runs(stretch, feeder, inserts), stretch)


def insert_eye_runs(stretch: Stretch, feeder: int, inserts: Inserts) -> list[Level]:
    """Return the runs of an insert eye's output.

    An insert that the eye misses does not hold it; one that merges holds it on longer; one that
    was staged at the start holds it from the start. The tail goes by as the feed moves, later by
    the slip if the insert was engaged before (model, section 4).
    """
    machine, feed = stretch.machine.feeders[feeder], stretch.feeds[feeder]
    off = machine.eye.off_response_s
    found: list[Level] = []
    ends_s = -math.inf
    for number, card in enumerate(inserts.cards):
        staged_at_start = number == 0 and not stretch.machine.start_empty
        if not card.drawn or (card.missed and not staged_at_start):
            continue
        nose = float(inserts.nose_mm[number])
        passes = feed.time_at(nose - card.nose_mm + card.seen_edge_mm)
        tail = nose + card.length_mm
        closes = float(inserts.closes_s[number])
        if not math.isnan(closes) and feed.position(closes) < tail:
            tail += card.slip_mm
        merges = passes < ends_s - SAME_INSTANT_S and not staged_at_start
        ends_s = min(feed.time_at(tail), float(np.nan_to_num(inserts.gone_s[number], nan=math.inf)))
        ends_s += off
        if staged_at_start:
            found.append(Level(number, 0.0, ends_s if tail > 0.0 else 0.0))
        elif merges:
            found[-1] = found[-1]._replace(to_s=max(ends_s, found[-1].to_s))
        else:
            found.append(Level(number, passes + card.eye_delay_s, ends_s))
    return found


def in_stretch(found: list[Level], stretch: Stretch) -> list[Level]:
    """Return those that have a length, and something of it in the stretch."""
    return [
        b
        for b in found
        if b.from_s < b.to_s and b.to_s >= stretch.from_s and b.from_s <= stretch.to_s
    ]


def blocked_plain(found: list[Level]) -> dict[str, Plain]:
    """Return the stretches as columns; one that does not end has ``inf``."""
    return {
        "from_s": column([b.from_s for b in found]),
        "to_s": column([b.to_s for b in found]),
        "number": column([b.number for b in found], "i4"),
    }
