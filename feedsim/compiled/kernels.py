"""The plain functions of motion and of this engine, compiled (numba's only home).

The functions do not depend on numba: each function of the listed modules is compiled, its
keyword-only arguments made positional.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Sequence
from types import CodeType, FunctionType, ModuleType
from typing import Any

import numba
from numba.extending import overload

from feedsim.compiled import carriers, feeder, search
from feedsim.compiled.driver import Driver
from feedsim.compiled.flat import blank_row, blank_rows, driver_of
from feedsim.compiled.state import EyeState, FeederRow, Mark, Row
from feedsim.draws.line_draws import CarrierDraw, InsertDraw
from feedsim.motion import (
    belt,
    capture,
    controller_speed,
    crossing,
    feed,
    feed_piece,
    master,
    staged,
    ticks,
)
from feedsim.motion.feed import FeedMotion, add_piece, feed_obey, keep_pieces
from feedsim.motion.feed_piece import shape_rate
from feedsim.motion.master import Master
from feedsim.simulation import input_level

MODULES = (
    *(ticks, belt, capture, controller_speed, crossing, master, staged, feed_piece, feed),
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


def _rest(feed: Any, t: float) -> int:
    feed_obey(feed, t, (0.0, 0.0, False, 0.0))
    return 0


def compiled_functions(*, keep: bool) -> Sequence[Any]:
    """Return the functions that :func:`~feedsim.compiled.flat.driver_of` takes, as numba has them.

    Parameters
    ----------
    keep : bool
        Read machine code from numba's cache, and save what is compiled there.
    """
    _offer_all()
    eye, feeder_row, of_master, of_feed = map(blank_row, (EyeState, FeederRow, Master, FeedMotion))
    carrier_cards, cards, marks, rows = map(blank_rows, (CarrierDraw, InsertDraw, Mark, Row))

    def compiled(function: Callable[..., Any], *arguments: Any) -> Any:
        made = numba.njit(cache=keep, nogil=True, **_OPTIONS)(_positional(function))
        types = tuple(numba.typeof(a) for a in arguments)  # type: ignore[no-untyped-call]
        try:
            made.compile(types)
        except OSError:  # it could not be kept
            made.compile(types)
        return made

    return (
        compiled(carriers.see_carriers, eye, of_master, carrier_cards, marks),
        compiled(feeder.run_feeder, feeder_row, of_feed, of_master, marks, cards, rows),
        compiled(_rest, of_feed, 0.0),
    )


def driver(*, keep: bool) -> Driver:
    """Return the compiled functions, called through numba; see :func:`compiled_functions`."""
    return driver_of(*compiled_functions(keep=keep))
