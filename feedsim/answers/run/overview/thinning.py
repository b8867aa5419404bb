"""Fewer dots where there are too many to see, but none that matters less."""

from __future__ import annotations

import numpy as np

from feedsim.arrays import Bools, Places
from feedsim.records.stored import AT_ONCE

MOST_DOTS = 20_000
"""More dots than this are thinned out."""

MOST_VECTOR_DOTS = 2_000
"""More dots than this become an image within an SVG."""


def thinned(expendable: Bools) -> Places:
    """Return which dots to draw.

    Parameters
    ----------
    expendable : bool array, shape (n,)
        Which of them may be left out; all others are kept.

    Returns
    -------
    intp array
        Positions, rising: all that may not be left out, and at most ``MOST_DOTS`` of those that
        may, at an even step, so that their density keeps its shape.
    """
    free = int(np.count_nonzero(expendable))
    if free <= MOST_DOTS:
        return np.arange(len(expendable))
    step, seen = -(-free // MOST_DOTS), 0
    kept = [np.flatnonzero(~expendable)]
    for begin in range(0, len(expendable), AT_ONCE):
        some = np.flatnonzero(expendable[begin : begin + AT_ONCE]) + begin
        kept.append(some[-seen % step :: step].copy())  # a view would keep all of them
        seen += len(some)
    return np.sort(np.concatenate(kept))
