"""Belt and feed motion as the numbers of their closed forms, for a page to evaluate.

What a page needs to put everything where the engine has it: nothing is sampled, so positions
agree to rounding at every instant.
"""

from __future__ import annotations

import math

import numpy as np

from feedsim.answers.rehearse.study.columns import column
from feedsim.draws.line_draws import Phases
from feedsim.machine import Encoder
from feedsim.metrics.plain import Plain
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed_piece import FeedPiece, Rate
from feedsim.motion.ticks import SAME_TRAVEL_MM
from feedsim.running.replay.feed import FeedTravel


def feed_plain(
    feed: FeedTravel, *, from_s: float, to_s: float, gain_per_s: float
) -> dict[str, Plain]:
    """Return the pieces of a feed's motion in force from one time to another (s).

    Returns
    -------
    dict
        ``gain_per_s``: K, None where the servo is rigid. ``rises``: f1…f4 of each shape,
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
            "in_travel": column([_in_travel(piece) for piece in pieces], "u1"),
        },
    }


def _in_travel(piece: FeedPiece) -> int:
    return int(piece.in_travel and piece.slope != 0.0)


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
    """Return what turns belt travel into counts: n = ⌊m/((1+ε)·q) + φ⌋ (model, section 2)."""
    return {
        "count_mm": encoder.count_mm,
        "scale_error": encoder.scale_error,
        "phase": phases.encoder,
        "same_travel_mm": SAME_TRAVEL_MM,
    }
