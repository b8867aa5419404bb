"""The parts of a scene: motion, eyes, carriers, inserts, the gate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.rehearse.study.columns import BYTES, DOUBLES, WHOLES, column
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.arrays import Bools, Floats
from feedsim.machine import SAME_TRAVEL_MM, Eye
from feedsim.metrics.gate_rows import Known, gate_rows
from feedsim.metrics.plain import Plain, plain
from feedsim.metrics.product_rows import ProductClass, ProductRows, needed, product_rows
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed_piece import FeedPiece, Rate
from feedsim.motion.ticks import next_tick
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs, program_levels
from feedsim.running.replay.inserts import ReplayedInserts
from feedsim.running.run import criteria_of
from feedsim.settings.levels import filters


@dataclass(frozen=True, slots=True)
class FeedMoves:
    """The motion of a feed: K (inf for a rigid servo) and the pieces in force, in order."""

    gain_per_s: float
    pieces: tuple[FeedPiece, ...]


def feed_plain(feed: FeedMoves) -> dict[str, Plain]:
    """Return the motion of a feed as a page reads it.

    ``gain_per_s``: K, None for a rigid servo. ``rises``: f1…f4 of each shape, one shape after the
    other. ``pieces``: columns ``start_s``, ``f0_mm``, ``decay_mm``, ``shape`` (its number), and, of
    the clutch, ``engagement`` and ``slope`` (per s, or per mm of counted travel if ``in_travel``).
    """
    pieces = feed.pieces
    shapes: dict[Rate, int] = {}
    forms = [piece.closed_form for piece in pieces]
    numbers = [shapes.setdefault(form.rise, len(shapes)) for form in forms]
    return {
        "gain_per_s": plain(feed.gain_per_s),
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
    names = BeltPiece._fields
    return {name: column([getattr(piece, name) for piece in belt.pieces]) for name in names}


@dataclass(frozen=True, slots=True)
class EncoderTerms:
    """The terms of n = ⌊m/((1+ε)·q) + φ⌋, counts of belt travel (model, section 2)."""

    count_mm: float
    scale_error: float
    phase: float
    same_travel_mm: float = SAME_TRAVEL_MM


def carrier_eye_blocked(stretch: Excerpt) -> tuple[OnInterval, ...]:
    """Return when the carrier eye's output is on; a merged carrier holds it on longer.

    It goes off ``off_response`` after the trailing edge (model, section 4).
    """
    return in_stretch(carrier_eye_runs(stretch), stretch)


def in_stretch(found: Sequence[OnInterval], stretch: Excerpt) -> tuple[OnInterval, ...]:
    """Return the intervals that last, and overlap the stretch."""
    return tuple(
        b
        for b in found
        if b.from_s < b.to_s and b.to_s >= stretch.from_s and b.from_s <= stretch.to_s
    )


def intervals_plain(found: Sequence[OnInterval]) -> dict[str, Plain]:
    """Return the intervals as columns; an endless one has ``inf``."""
    return {
        "from_s": column([b.from_s for b in found]),
        "to_s": column([b.to_s for b in found]),
        "number": column([b.number for b in found], "i4"),
    }


@dataclass(frozen=True, slots=True)
class ProgramInput:
    """What the program sees of an eye that it filters or scans.

    ``levels``: when it takes the eye as blocked. ``scan_s``: period of the scan, 0 if it does not
    scan. ``phase_s``: time of a tick.
    """

    levels: tuple[OnInterval, ...] = field(metadata={"plain": intervals_plain})
    scan_s: float
    phase_s: float


def program_input(stretch: Excerpt, eye: Eye, runs: list[OnInterval]) -> ProgramInput | None:
    """Return what the program sees of an eye; None if it sees the output itself."""
    if not filters(eye):
        return None
    phase_s, period_s = stretch.draws.phases().ticks_s, stretch.machine.controller.scan_s
    levels = program_levels(runs, eye, lambda t: next_tick(t, phase_s, period=period_s))
    return ProgramInput(in_stretch(levels, stretch), period_s if eye.polled else 0.0, phase_s)


@dataclass(frozen=True, slots=True, eq=False)
class CarrierColumns:
    """The carriers that come into the picture.

    ``first``: number of the first one. ``slip_mm``: how far each falls back between eye and
    placement point. ``known_s``: when the program knew of its mark (NaN: never).
    """

    first: int
    leading_edge_mm: Floats = field(metadata=DOUBLES)
    eye_time_s: Floats = field(metadata=DOUBLES)
    slip_mm: Floats = field(metadata=DOUBLES)
    known_s: Floats = field(metadata=DOUBLES)


def carriers_shown(stretch: Excerpt) -> CarrierColumns:
    """Return the carriers that come into the picture."""
    rows = slice(stretch.carriers.start, stretch.carriers.stop)
    known = np.full(len(stretch.carriers), math.nan)
    for event in stretch.trace.events:
        knows = event.part == "carrier_eye" and event.event == "known"
        if knows and event.carrier in stretch.carriers:
            known[event.carrier - stretch.carriers.start] = event.time_s
    cards = islice(stretch.draws.carriers(), rows.start, rows.stop)
    carriers = stretch.records.carriers
    return CarrierColumns(
        first=rows.start,
        leading_edge_mm=carriers.leading_edge_mm[rows],
        eye_time_s=carriers.eye_time_s[rows],
        slip_mm=np.array([slip for _, _, _, slip, _ in cards]),
        known_s=known,
    )


@dataclass(frozen=True, slots=True, eq=False)
class InsertColumns:
    """The inserts of a feeder that come into the picture.

    ``first``: number of the first one. Columns: as in ``ReplayedInserts`` and ``InsertDraw``.
    """

    first: int
    nose_mm: Floats = field(metadata=DOUBLES)
    carrier: NDArray[np.int32] = field(metadata=WHOLES)
    closes_s: Floats = field(metadata=DOUBLES)
    lands_s: Floats = field(metadata=DOUBLES)
    gone_s: Floats = field(metadata=DOUBLES)
    length_mm: Floats = field(metadata=DOUBLES)
    slip_mm: Floats = field(metadata=DOUBLES)
    double_mm: Floats = field(metadata=DOUBLES)
    drawn: Bools = field(metadata=BYTES)
    stray: Bools = field(metadata=BYTES)


def inserts_shown(inserts: ReplayedInserts, stretch: Excerpt, feeder: int) -> InsertColumns:
    """Return the inserts of a feeder that come into the picture."""
    reach = stretch.machine.feeders[feeder].insert_eye_to_placement_mm
    longest = max(card.length_mm for card in inserts.cards)
    from_mm = stretch.feeds[feeder].position(stretch.from_s)
    there = inserts.nose_mm >= from_mm - reach - longest
    there |= (inserts.carrier >= stretch.carriers.start) & (inserts.carrier >= 0)
    first = int(np.argmax(there)) if there.any() else len(inserts.cards)
    cards = inserts.cards[first:]
    return InsertColumns(
        first=first,
        nose_mm=inserts.nose_mm[first:],
        carrier=inserts.carrier[first:],
        closes_s=inserts.closes_s[first:],
        lands_s=inserts.lands_s[first:],
        gone_s=inserts.gone_s[first:],
        length_mm=np.array([card.length_mm for card in cards]),
        slip_mm=np.array([card.slip_mm for card in cards]),
        double_mm=np.array([card.double_mm for card in cards]),
        drawn=np.array([card.drawn for card in cards], dtype=np.bool_),
        stray=inserts.stray[first:],
    )


def complete_before(stretch: Excerpt) -> int:
    """Return the number of complete products before those in the picture."""
    classes = _products(stretch).classes[: stretch.carriers.start]
    return int((classes == ProductClass.COMPLETE).sum())


@dataclass(frozen=True, slots=True, eq=False)
class GateColumns:
    """The divert gate, and what it does with the carriers in the picture.

    ``known``: an index into ``words``. ``known_s``: when that was (NaN: never).
    """

    at_mm: float
    decide_before_mm: float
    words: tuple[str, ...]
    diverted: Bools = field(metadata=BYTES)
    known: NDArray[np.int8] = field(metadata=BYTES)
    known_s: Floats = field(metadata=DOUBLES)


def gate_shown(stretch: Excerpt) -> GateColumns | None:
    """Return the divert gate; None without one."""
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
    return GateColumns(
        at_mm=divert.at_mm,
        decide_before_mm=divert.decide_before_mm,
        words=tuple(what.name.lower() for what in Known),
        diverted=rows.diverted[here],
        known=rows.known[here],
        known_s=rows.known_time_s[here],
    )


def _products(stretch: Excerpt) -> ProductRows:
    records = replace(stretch.records, warm_up=0)
    return product_rows(records, stretch.machine, criteria=criteria_of(stretch.scenario))
