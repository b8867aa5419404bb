"""The plain functions of motion and of this engine, compiled (numba's only home).

The functions do not depend on numba: each function of the listed modules is compiled, its
keyword-only arguments made positional.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable
from types import CodeType, FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
from numba.extending import overload

from feedsim.compiled import carriers, feeder, search
from feedsim.compiled.driver import Driver
from feedsim.compiled.state import EyeState, FeederRow, Mark, Row, row_type
from feedsim.draws.line_draws import CarrierDraw, InsertDraw
from feedsim.motion import belt, controller_speed, crossing, feed, feed_piece, master, staged, ticks
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed import FeedMotion, add_piece, keep_pieces
from feedsim.motion.feed_piece import FeedPiece, shape_rate
from feedsim.motion.master import Master
from feedsim.simulation import input_level

MODULES = (
    *(ticks, belt, controller_speed, crossing, master, staged, feed_piece, feed),
    *(input_level, search, carriers, feeder),
)
"""Modules whose functions are compiled."""

_OPTIONS: dict[str, Any] = {
    "_nrt": False,
    "error_model": "numpy",  # a division by 0 gives inf, which no formula asks for
    "no_cfunc_wrapper": True,
}
_INLINED = (feed.__name__,)
"""Modules whose functions are inlined: a tenth less time per carrier, a third more to compile."""

try:
    from feedsim.compiled.parts import PartCompiler
except (ImportError, TypeError):  # a numba that is made otherwise: it takes twice as long
    _AS_PART: dict[str, Any] = {}
else:
    _AS_PART = {"pipeline_class": PartCompiler}

_STILL = (0.0, 0.0, False, 0.0)
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


def _flat(of: object) -> Any:
    """Return the form of a model object that the compiled functions take."""
    row = _blank(type(of))
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


# -- what the functions find in the place of Python's own ----------------------------------------


def _bisect_right(row: Any, x: float) -> int:
    low, high = 0, len(row)
    while low < high:
        middle = (low + high) // 2
        if x < row[middle]:
            high = middle
        else:
            low = middle + 1
    return low


def _bisect_left(row: Any, x: float) -> int:
    low, high = 0, len(row)
    while low < high:
        middle = (low + high) // 2
        if row[middle] < x:
            low = middle + 1
        else:
            high = middle
    return low


def _piece_count(feed: Any) -> int:
    return int(feed.count)


def _add_piece(feed: Any, rate: Any) -> Any:
    i = feed.count
    if i == len(feed.pieces):
        feed.lacking += 1
        i -= 1
    else:
        feed.count = i + 1
    piece = feed.pieces[i]
    shape_rate(piece.shape, rate, gain=feed.gain, feedforward=feed.feedforward)
    return piece


def _keep_pieces(feed: Any, first: int, end: int) -> None:
    if first > 0:
        for i in range(first, end):
            feed.pieces[i - first] = feed.pieces[i]
    feed.count = end - first


_INSTEAD: dict[Callable[..., Any], Callable[..., Any]] = {
    bisect.bisect_left: _bisect_left,
    bisect.bisect_right: _bisect_right,
    feed.piece_count: _piece_count,
    add_piece: _add_piece,
    keep_pieces: _keep_pieces,
}


def _positional(function: Any) -> FunctionType:
    """Return the function with its keyword-only arguments as positional ones."""
    code: CodeType = function.__code__
    code = code.replace(co_argcount=code.co_argcount + code.co_kwonlyargcount, co_kwonlyargcount=0)
    return FunctionType(code, function.__globals__, function.__name__)


def _offer(function: Callable[..., Any], instead: Any) -> None:
    def found(*_args: Any, **_keywords: Any) -> Any:
        return instead

    inlined = function.__module__ in _INLINED
    options = _OPTIONS | _AS_PART | {"forceinline": inlined}
    overload(function, jit_options=options, strict=False)(found)  # type: ignore[arg-type]


def _functions(module: ModuleType) -> list[FunctionType]:
    return [
        f
        for f in vars(module).values()
        if isinstance(f, FunctionType) and f.__module__ == module.__name__ and f not in _INSTEAD
    ]


def _offer_all() -> None:
    for function, instead in _INSTEAD.items():
        _offer(function, instead)
    for module in MODULES:
        for function in _functions(module):
            _offer(function, _positional(function))


def driver(*, keep: bool) -> Driver:
    """Return the compiled functions.

    Parameters
    ----------
    keep : bool
        Read machine code from numba's cache, and save what is compiled there.
    """
    _offer_all()
    eye, feeder_row, of_master, of_feed = map(_blank, (EyeState, FeederRow, Master, FeedMotion))
    carrier_cards, cards, marks, rows = map(_blanks, (CarrierDraw, InsertDraw, Mark, Row))

    def compiled(function: Callable[..., Any], *arguments: Any) -> Any:
        made = numba.njit(cache=keep, nogil=True, **_OPTIONS)(_positional(function))
        types = tuple(numba.typeof(a) for a in arguments)  # type: ignore[no-untyped-call]
        try:
            made.compile(types)
        except OSError:  # it could not be kept
            made.compile(types)
        return made

    see = compiled(carriers.see_carriers, eye, of_master, carrier_cards, marks)
    run = compiled(feeder.run_feeder, feeder_row, of_feed, of_master, marks, cards, rows)
    obey = compiled(feed.feed_obey, of_feed, 0.0, _STILL)

    def follow(row: Any, belt: BeltMotion, t: float) -> None:
        _fill(row["belt"], belt)
        obey(row, t, _STILL)

    return Driver(see, run, _flat, follow)


def _blank(kind: type) -> Any:
    return np.zeros(1, _ROWS.get(kind) or row_type(kind))[0]


def _blanks(kind: type) -> Any:
    return np.zeros(0, row_type(kind)).view(np.recarray)
