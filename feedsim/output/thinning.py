"""Fewer dots where there are too many to see, but none that matters less."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_DOTS", "MOST_VECTOR_DOTS", "thinned"]

MOST_DOTS = 20_000
"""More dots than this are thinned out."""

MOST_VECTOR_DOTS = 2_000
"""More dots than this become an image within an SVG."""


def thinned(values: NDArray[np.float64], expendable: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return which dots to draw.

    Parameters
    ----------
    values : float64 array, shape (n,)
        Of the dots, in the order in which they are drawn from left to right.
    expendable : bool array, shape (n,)
        Which of them may be left out; all others are kept.

    Returns
    -------
    intp array
        Positions, rising: all that may not be left out, and about ``MOST_DOTS`` of those
        that may. Of each run of neighbours the least and the largest are kept, so that the
        outline of the cloud stays, and as many taken at an even step.
    """
    free = np.flatnonzero(expendable)
    if len(free) <= MOST_DOTS:
        return np.arange(len(values))
    runs = np.array_split(free, MOST_DOTS // 4)
    extremes = [run[i] for run in runs for i in (np.argmin(values[run]), np.argmax(values[run]))]
    even = free[:: max(1, 2 * len(free) // MOST_DOTS)]
    kept = np.concatenate((np.flatnonzero(~expendable), np.asarray(extremes), even))
    return np.unique(kept)
