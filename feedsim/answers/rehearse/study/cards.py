"""Carriers and inserts of a stretch: what chance decided of each, and when it changes hands."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import count, islice, takewhile

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.stretch import Stretch
from feedsim.draws.line_draws import InsertDraw
from feedsim.metrics.plain import Plain
from feedsim.records.trace import TraceEvent
from feedsim.running.replay.inserts import InsertSequence

__all__ = ["Inserts", "carriers_plain", "inserts_of"]

Floats = NDArray[np.float64]
_UPSTREAM_PITCHES = 1.2  # of the insert path, before the insert eye, that can be seen


def carriers_plain(stretch: Stretch) -> dict[str, Plain]:
    """Return the carriers that come into the picture.

    Returns
    -------
    dict
        ``first``: number of the first one. Columns: ``leading_edge_mm``, ``eye_time_s``;
        ``slip_mm``: its falling back between eye and placement point; ``known_s``: when the
        program knew of its mark (NaN: never).
    """
    rows = slice(stretch.carriers.start, stretch.carriers.stop)
    known = np.full(len(stretch.carriers), math.nan)
    for event in stretch.trace.events:
        knows = event.part == "carrier_eye" and event.event == "known"
        if knows and event.carrier in stretch.carriers:
            known[event.carrier - stretch.carriers.start] = event.time_s
    cards = islice(stretch.draws.carriers(), rows.start, rows.stop)
    carriers = stretch.records.carriers
    return {
        "first": rows.start,
        "leading_edge_mm": column(carriers.leading_edge_mm[rows]),
        "eye_time_s": column(carriers.eye_time_s[rows]),
        "slip_mm": column([slip for _, _, _, slip, _ in cards]),
        "known_s": column(known),
    }


@dataclass(frozen=True, slots=True)
class Inserts:
    """The inserts of one feeder, from number 0 to the last that comes into the picture.

    Attributes
    ----------
    nose_mm : float64 array, shape (n,)
        F: feed travel at which each nose is at the insert eye, before any slip.
    carrier : int32 array, shape (n,)
        Carrier that each was engaged for, −1 for none.
    closes_s, lands_s : float64 array, shape (n,)
        When the clutch closed for it, from when on it has slipped; when it landed. NaN: never.
    gone_s : float64 array, shape (n,)
        When it was taken out of the feeder, at a stop of the line. NaN: never.
    stray : bool array, shape (n,)
        It went past its eye without being taken.
    """

    cards: list[InsertDraw]
    nose_mm: Floats
    carrier: NDArray[np.int32]
    closes_s: Floats
    lands_s: Floats
    gone_s: Floats
    stray: NDArray[np.bool_]

    def to_plain(self, stretch: Stretch, feeder: int) -> dict[str, Plain]:
        """Return the inserts that come into the picture: columns, as the attributes and cards."""
        reach = stretch.machine.feeders[feeder].insert_eye_to_placement_mm
        longest = max(card.length_mm for card in self.cards)
        there = self.nose_mm >= stretch.feeds[feeder].position(stretch.from_s) - reach - longest
        there |= (self.carrier >= stretch.carriers.start) & (self.carrier >= 0)
        first = int(np.argmax(there)) if there.any() else len(self.cards)
        cards = self.cards[first:]
        return {
            "first": first,
            "nose_mm": column(self.nose_mm[first:]),
            "carrier": column(self.carrier[first:], "i4"),
            "closes_s": column(self.closes_s[first:]),
            "lands_s": column(self.lands_s[first:]),
            "gone_s": column(self.gone_s[first:]),
            "length_mm": column([card.length_mm for card in cards]),
            "slip_mm": column([card.slip_mm for card in cards]),
            "double_mm": column([card.double_mm for card in cards]),
            "drawn": column([int(card.drawn) for card in cards], "u1"),
            "stray": column(self.stray[first:], "u1"),
        }


def inserts_of(stretch: Stretch, feeder: int) -> Inserts:
    """Return the inserts of one feeder."""
    machine, rows = stretch.machine.feeders[feeder], stretch.records.feeders[feeder]
    upstream = _UPSTREAM_PITCHES * (machine.inserts.length_mm + machine.inserts.gap_mm)
    farthest = stretch.feeds[feeder].position(stretch.to_s) + upstream
    farthest -= stretch.machine.first_nose_mm(feeder)
    inserts = InsertSequence(stretch.machine, stretch.draws, trace=stretch.trace, feeder=feeder)
    cards = list(takewhile(lambda card: card.nose_mm <= farthest, map(inserts.draw, count())))
    carrier = np.full(len(cards), -1, dtype=np.int32)
    closes, lands = np.full(len(cards), math.nan), np.full(len(cards), math.nan)
    engaged = np.flatnonzero((rows.insert >= 0) & (rows.insert < len(cards)))
    numbers = rows.insert[engaged]
    carrier[numbers] = engaged
    closes[numbers] = rows.engage_time_s[engaged]
    lands[numbers] = rows.placement_time_s[engaged]
    noses = np.array([inserts.nose_mm(number) for number in range(len(cards))])
    stray = np.zeros(len(cards), dtype=np.bool_)
    for event in _at_the_eye(stretch, feeder, "stray"):
        if event.insert < len(cards):
            stray[event.insert] = True
    gone = _gone(stretch, feeder, noses, closes_s=closes, lands_s=lands)
    return Inserts(cards, noses, carrier, closes, lands, gone, stray)


def _at_the_eye(stretch: Stretch, feeder: int, name: str) -> list[TraceEvent]:
    part = f"feeder.{feeder}.insert_eye"
    return [e for e in stretch.trace.events if e.part == part and e.event == name]


def _gone(
    stretch: Stretch, feeder: int, noses: Floats, *, closes_s: Floats, lands_s: Floats
) -> Floats:
    """Return when inserts were taken out: with a clearing of the line, or by themselves.

    A clearing takes all that have come to the eye and are neither placed nor kept for later.
    """
    gone = np.full(len(noses), math.nan)
    with np.errstate(invalid="ignore"):
        for event in stretch.trace.events:
            if (event.part, event.event) != ("line", "cleared"):
                continue
            t = event.time_s
            come = noses <= stretch.feeds[feeder].position(t)
            out = come & ~(lands_s <= t) & ~(closes_s > t) & np.isnan(gone)
            gone[out] = t
    for event in _at_the_eye(stretch, feeder, "rejected"):
        if event.insert < len(gone):
            gone[event.insert] = event.time_s
    return gone
