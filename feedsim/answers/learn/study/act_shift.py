"""The shift that most acts have in common, from the interval that each leaves open."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats


class Common(NamedTuple):
    """A shift: an interval that most acts agree on, their mean, and how many agree."""

    low: float
    high: float
    mean: float
    agree: int

    @property
    def middle(self) -> float:
        """The best single value: the mean, kept within the interval."""
        return min(max(self.mean, self.low), self.high)


def common_shift(low: Floats, high: Floats) -> Common:
    """Return the shift that the most intervals hold (stabbed from left to right).

    Parameters
    ----------
    low, high : float64, shape (n,)
        Ends of the intervals, n above 0.
    """
    ends = np.concatenate([low, high])
    turn = np.concatenate([np.ones(len(low)), -np.ones(len(high))])
    order = np.lexsort((-turn, ends))
    depth = np.cumsum(turn[order])
    at = int(np.argmax(depth))
    first = float(ends[order[at]])
    last = float(ends[order[min(at + 1, len(order) - 1)]])
    agreeing = (low <= last) & (high >= first)
    middle = 0.5 * (low[agreeing] + high[agreeing])
    return Common(first, last, float(np.mean(middle)), int(depth[at]))


def drifting(time_s: Floats, low: Floats, high: Floats) -> tuple[float, Common]:
    """Return a steady drift (per second), and the shift at the first act that then fits the most.

    The slope is that of Theil and Sen, the median of slopes between distant acts (Sen 1968,
    Journal of the American Statistical Association 63:1379–1389; from memory).
    """
    middle = 0.5 * (low + high)
    half = len(time_s) // 2
    ran = time_s[half : 2 * half] - time_s[:half]
    slope = float(np.median((middle[half : 2 * half] - middle[:half]) / np.maximum(ran, 1e-9)))
    moved = slope * (time_s - time_s[0])
    return slope, common_shift(low - moved, high - moved)
