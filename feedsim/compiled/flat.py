"""What the compiled functions take in the place of the model's objects: rows of numbers."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from feedsim.compiled.driver import Driver, Table
from feedsim.compiled.state import row_type
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed import FeedMotion
from feedsim.motion.feed_piece import FeedPiece
from feedsim.motion.master import Master

_MOST_BELT_PIECES = 64
_MOST_PIECES = 64
_COLUMN = ("f8", (_MOST_BELT_PIECES,))
_BELT = np.dtype(
    [
        *((name, *_COLUMN) for name in ("start_times", "start_travels", "start_speeds")),
        *((name, *_COLUMN) for name in ("accelerations", "end_times")),
        *(("count", "i8"), ("single", "?")),
    ],
    align=True,
)
_SPEED = np.dtype(
    [
        *(("belt", _BELT), ("factor", "f8"), ("filter_s", "f8"), ("departures", *_COLUMN)),
        *(("constant", "?"), ("constant_mm_s", "f8")),
    ],
    align=True,
)
_MASTER = np.dtype(
    [
        *(("belt", _BELT), ("speed", _SPEED), ("counting", "?"), ("unit_mm", "f8")),
        *(("belt_per_unit", "f8"), ("units_per_belt", "f8"), ("phase", "f8")),
        *(("same_units", "f8"), ("ticks_phase_s", "f8"), ("scan_s", "f8"), ("cycle_s", "f8")),
    ],
    align=True,
)
_FEED = np.dtype(
    [
        *(("belt", _BELT), ("factor", "f8"), ("belt_per_counted", "f8")),
        *(("gain", "f8"), ("feedforward", "f8"), ("count", "i8"), ("lacking", "i8")),
        ("pieces", row_type(FeedPiece), (_MOST_PIECES,)),
    ],
    align=True,
)
"""``count``: number of pieces; ``lacking``: pieces that there was no room for."""

_ROWS: dict[type, np.dtype[Any]] = {Master: _MASTER, FeedMotion: _FEED}
_BEYOND = ("start_times", "start_travels", "end_times")


def flat(of: object) -> Any:
    """Return the form of a model object that the compiled functions take."""
    row = blank_row(type(of))
    _fill(row, of)
    return row


def _fill(row: Any, of: Any) -> None:
    """Copy an object's attributes into a row of the same fields, lists into longer ones."""
    for name in row.dtype.names:
        if name == "lacking":
            continue
        if name == "count" and hasattr(of, "pieces"):
            row[name] = len(of.pieces)
        elif row.dtype[name].names:
            _fill(row[name], getattr(of, name))
        elif name == "pieces":
            for place, piece in zip(row[name], of.pieces, strict=False):
                _fill(place, piece)
        elif row.dtype[name].shape:
            values = getattr(of, name)
            row[name][: len(values)] = values
            if name in _BEYOND:  # so that a search among them ends before
                row[name][len(values) :] = math.inf
        else:
            row[name] = getattr(of, name)


def blank_row(kind: type) -> Any:
    """Return a row of a class of the model or of this engine, all 0."""
    return np.zeros(1, _ROWS.get(kind) or row_type(kind))[0]


def blank_rows(kind: type) -> Table:
    """Return no rows of a class."""
    return np.zeros(0, row_type(kind)).view(np.recarray)


def driver_of(see: Callable[..., int], run: Callable[..., int], rest: Callable[..., int]) -> Driver:
    """Return the functions of this engine, from compiled ones.

    ``rest``: lets a feed rest from a time (s) on.
    """

    def follow(row: Any, belt: BeltMotion, t: float) -> None:
        _fill(row["belt"], belt)
        rest(row, t)

    return Driver(see, run, flat, follow)
