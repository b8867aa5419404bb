"""The parts of a scene as numbers for a page: motion, eyes, carriers, inserts, the gate."""

from __future__ import annotations

import base64
import math
from dataclasses import replace
from itertools import islice
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.draws.line_draws import Phases
from feedsim.machine import Encoder, Eye
from feedsim.metrics.gate_rows import Known, gate_rows
from feedsim.metrics.plain import Plain
from feedsim.metrics.product_rows import ProductClass, ProductRows, needed, product_rows
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed_piece import Rate
from feedsim.motion.ticks import SAME_TRAVEL_MM, next_tick
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs, program_levels
from feedsim.running.replay.feed import FeedTravel
from feedsim.running.replay.inserts import ReplayedInserts
from feedsim.running.run import criteria_of

Kind = Literal["f8", "f4", "i4", "u1"]
"""Double, single, whole number, small whole number from 0 to 255."""

Column = dict[str, Plain]
"""``kind``, and ``data``: the numbers in little-endian bytes, as base64."""

_TYPES: dict[Kind, str] = {"f8": "<f8", "f4": "<f4", "i4": "<i4", "u1": "u1"}


def column(values: ArrayLike, kind: Kind = "f8") -> Column:
    """Pack a column of numbers; NaN survives, unlike in JSON.

    Parameters
    ----------
    values : array_like, shape (n,)

    Raises
    ------
    ValueError
        If a whole number does not fit.

    Examples
    --------
    >>> column([3, 4], "u1")
    {'kind': 'u1', 'data': 'AwQ='}
    """
    given = np.asarray(values)
    packed = given.astype(_TYPES[kind])
    if kind in {"i4", "u1"} and not np.array_equal(packed, given):
        msg = f"not all of these are whole numbers that fit into {kind}"
        raise ValueError(msg)
    return {"kind": kind, "data": base64.b64encode(packed.tobytes()).decode("ascii")}


def feed_plain(
    feed: FeedTravel, *, from_s: float, to_s: float, gain_per_s: float
) -> dict[str, Plain]:
    """Return the pieces of a feed's motion in force from one time to another (s).

    Returns
    -------
    dict
        ``gain_per_s``: K, None for a rigid servo. ``rises``: f1…f4 of each shape,
        one shape after the other. ``pieces``: columns ``start_s``, ``f0_mm``, ``decay_mm``,
        ``shape`` (its number), and ``engagement``, ``slope`` (per s, or per mm of counted
        travel where ``in_travel``) of the clutch.
    """
    pieces = [piece for piece, _ in feed.pieces(from_s, to_s)]
    shapes: dict[Rate, int] = {}
    forms = [piece.closed_form for piece in pieces]
    numbers = [shapes.setdefault(form.rise, len(shapes)) for form in forms]
    return {
        "gain_per_s": None if math.isinf(gain_per_s) else gain_per_s,
        "rises": column(np.array([*shapes], dtype=np.float64).ravel()),
        "pieces": {
            "start_s": column([piece.start_s for piece in pieces]),
            "f0_mm": column([form.f0_mm for form in forms]),
            "decay_mm": column([form.decay_mm for form in forms]),
            "shape": column(numbers, "i4"),
            "engagement": column([piece.engagement for piece in pieces]),
            "slope": column([piece.slope for piece in pieces]),
            "in_travel": column([p.in_travel and p.slope != 0.0 for p in pieces], "u1"),
        },
    }


def belt_plain(belt: BeltMotion) -> dict[str, Plain]:
    """Return the pieces of the belt's motion, all of them: columns as in ``BeltPiece``."""
    starts, travels, speeds, accelerations = zip(*belt.pieces, strict=True)
    return {
        "start_s": column(starts),
        "travel_mm": column(travels),
        "speed_mm_s": column(speeds),
        "acceleration_mm_s2": column(accelerations),
    }


def encoder_plain(encoder: Encoder, phases: Phases) -> dict[str, Plain]:
    """Return the terms of n = ⌊m/((1+ε)·q) + φ⌋, counts of belt travel (model, section 2)."""
    return {
        "count_mm": encoder.count_mm,
        "scale_error": encoder.scale_error,
        "phase": phases.encoder,
        "same_travel_mm": SAME_TRAVEL_MM,
    }


def carrier_eye_blocked(stretch: Excerpt) -> list[OnInterval]:
    """Return when the carrier eye's output is on; a merged carrier holds it on longer.

    It goes off ``off_response`` after the trailing edge (model, section 4).
    """
    return in_stretch(carrier_eye_runs(stretch), stretch)


def program_input(runs: list[OnInterval], eye: Eye, stretch: Excerpt) -> list[OnInterval]:
    """Return what the program sees of a filtered or polled output; else nothing."""
    phase_s, scan_s = stretch.draws.phases().ticks_s, stretch.machine.controller.scan_s
    levels = program_levels(runs, eye, lambda t: next_tick(t, phase_s, period=scan_s))
    return in_stretch(levels, stretch)


def in_stretch(found: list[OnInterval], stretch: Excerpt) -> list[OnInterval]:
    """Return the intervals that last, and overlap the stretch."""
    return [
        b
        for b in found
        if b.from_s < b.to_s and b.to_s >= stretch.from_s and b.from_s <= stretch.to_s
    ]


def blocked_plain(found: list[OnInterval]) -> dict[str, Plain]:
    """Return the intervals as columns; an endless one has ``inf``."""
    return {
        "from_s": column([b.from_s for b in found]),
        "to_s": column([b.to_s for b in found]),
        "number": column([b.number for b in found], "i4"),
    }


def carriers_plain(stretch: Excerpt) -> dict[str, Plain]:
    """Return the carriers that come into the picture.

    Returns
    -------
    dict
        ``first``: number of the first one. Columns: ``leading_edge_mm``, ``eye_time_s``;
        ``slip_mm``: how far it falls back between eye and placement point; ``known_s``: when the
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


def inserts_plain(inserts: ReplayedInserts, stretch: Excerpt, feeder: int) -> dict[str, Plain]:
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


def complete_before(stretch: Excerpt) -> int:
    """Return the number of complete products before those in the picture."""
    classes = _products(stretch).classes[: stretch.carriers.start]
    return int((classes == ProductClass.COMPLETE).sum())


def gate_plain(stretch: Excerpt) -> dict[str, Plain] | None:
    """Return the gate with columns for the carriers in the picture; None without a gate.

    Returns
    -------
    dict or None
        ``at_mm``, ``decide_before_mm``. Columns: ``diverted``; ``known``, an index into ``words``;
        ``known_s``, when that was (NaN: never).
    """
    divert = stretch.machine.divert
    if divert is None:
        return None
    here = slice(stretch.carriers.start, stretch.carriers.stop)
    rows = gate_rows(
        replace(stretch.records, warm_up=0),
        divert,
        needs=needed(stretch.machine, criteria_of(stretch.scenario)),
        good=_products(stretch).good,
    )
    return {
        "at_mm": divert.at_mm,
        "decide_before_mm": divert.decide_before_mm,
        "words": [what.name.lower() for what in Known],
        "diverted": column(rows.diverted[here], "u1"),
        "known": column(rows.known[here], "u1"),
        "known_s": column(rows.known_time_s[here]),
    }


def _products(stretch: Excerpt) -> ProductRows:
    records = replace(stretch.records, warm_up=0)
    return product_rows(records, stretch.machine, criteria=criteria_of(stretch.scenario))
