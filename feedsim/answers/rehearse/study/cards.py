"""Carriers and inserts of a stretch: what chance decided of each, and when it changes hands."""

from __future__ import annotations

import math
from itertools import islice

import numpy as np

from feedsim.answers.rehearse.study.columns import column
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.metrics.plain import Plain
from feedsim.running.replay.inserts import Inserts


def carriers_plain(stretch: Excerpt) -> dict[str, Plain]:
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


def inserts_plain(inserts: Inserts, stretch: Excerpt, feeder: int) -> dict[str, Plain]:
    """Return the inserts that come into the picture: columns, as the attributes and cards."""
    reach = stretch.machine.feeders[feeder].insert_eye_to_placement_mm
    longest = max(card.length_mm for card in inserts.cards)
    from_mm = stretch.feeds[feeder].position(stretch.from_s)
    there = inserts.nose_mm >= from_mm - reach - longest
    there |= (inserts.carrier >= stretch.carriers.start) & (inserts.carrier >= 0)
    first = int(np.argmax(there)) if there.any() else len(inserts.cards)
    cards = inserts.cards[first:]
    return {
        "first": first,
        "nose_mm": column(inserts.nose_mm[first:]),
        "carrier": column(inserts.carrier[first:], "i4"),
        "closes_s": column(inserts.closes_s[first:]),
        "lands_s": column(inserts.lands_s[first:]),
        "gone_s": column(inserts.gone_s[first:]),
        "length_mm": column([card.length_mm for card in cards]),
        "slip_mm": column([card.slip_mm for card in cards]),
        "double_mm": column([card.double_mm for card in cards]),
        "drawn": column([int(card.drawn) for card in cards], "u1"),
        "stray": column(inserts.stray[first:], "u1"),
    }
