"""The functions of this engine, compiled or not, and the tables that they work on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.compiled.state import row_type
from feedsim.motion.belt import BeltMotion

Columns = tuple[NDArray[Any], ...]
Table = Any
"""Rows of one of the classes of :mod:`feedsim.compiled.state`, or of cards."""


class NeedsEvents(Exception):  # noqa: N818 - not a fault: the event engine does it
    """Something happens that this engine does not model; the text says what."""


class Driver(NamedTuple):
    """The functions of this engine, compiled or not.

    Attributes
    ----------
    see, run : callable
        :func:`~feedsim.compiled.carriers.see_carriers` and
        :func:`~feedsim.compiled.feeder.run_feeder`.
    flat : callable
        What a state, a feed or a master is for them.
    follow : callable
        Has such a feed that rests go on along another belt from a time (s).
    """

    see: Callable[..., int]
    run: Callable[..., int]
    flat: Callable[[Any], Any]
    follow: Callable[[Any, BeltMotion, float], None]


def blank(kind: type, n: int) -> Table:
    """Return a number of rows of a class, all 0."""
    return np.zeros(n, row_type(kind)).view(np.recarray)


def rows_of(kind: type, columns: Columns) -> Table:
    """Return cards as rows, from columns in the order of their fields."""
    rows = np.empty(len(columns[0]), row_type(kind))
    for name, column in zip(rows.dtype.names or (), columns, strict=True):
        rows[name] = column
    return rows.view(np.recarray)
