"""A stretch of a feed's motion, read off quickly however long the run was."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from typing import NamedTuple

from feedsim.motion.feed import FeedMotion
from feedsim.motion.feed_piece import FeedPiece

__all__ = ["Curve", "FeedWindow"]

_STEPS = 600
_INSIDE_S = 1e-9


class Curve(NamedTuple):
    """Points of a line in a diagram: times (s) and values, of equal length."""

    times_s: list[float]
    values: list[float]


class FeedWindow:
    """Position, speed and engagement of one feed between two times.

    Parameters
    ----------
    feed : FeedMotion
        Of a traced run, with all its pieces.
    from_s, to_s : float
        The window.
    """

    def __init__(self, feed: FeedMotion, *, from_s: float, to_s: float) -> None:
        feed.position(to_s)  # makes the pieces up to there
        self._feed = feed
        self._pieces = feed.pieces
        self.from_s, self.to_s = from_s, to_s

    def _number(self, t: float) -> int:
        return max(0, bisect_right(self._pieces, t, key=lambda piece: piece.start_s) - 1)

    def position(self, t: float) -> float:
        """Return the feed travel (mm) at any time (s) of the run."""
        return self._pieces[self._number(t)].position(t)

    def command(self, t: float) -> float:
        """Return the commanded travel (mm) at any time (s) of the run."""
        return self._pieces[self._number(t)].command(t)

    def time_at(self, travel: float) -> float:
        """Return when the feed first reaches a travel (mm), ``inf`` if it never does."""
        pieces = self._pieces
        i = bisect_left(pieces, travel, key=lambda piece: piece.start_mm) - 1
        if i < 0:
            return pieces[0].start_s
        t = pieces[i].time_at(travel)
        return min(t, pieces[i + 1].start_s) if i + 1 < len(pieces) else t

    def positions(self, *, from_s: float, to_s: float, zero_mm: float) -> Curve:
        """Return the curve of feed travel − ``zero_mm`` (mm), as far as it is in the window."""
        from_s, to_s = max(from_s, self.from_s), min(to_s, self.to_s)
        if from_s >= to_s:
            return Curve([], [])
        return self._sampled(lambda piece, t: piece.position(t) - zero_mm, from_s=from_s, to_s=to_s)

    def speeds(self) -> Curve:
        """Return the feed's speed (mm/s); a step of speed is an upright line."""
        return self._sampled(lambda piece, t: piece.speed(t), from_s=self.from_s, to_s=self.to_s)

    def engagement(self) -> Curve:
        """Return the clutch's engagement, 0 to 1."""
        curve = Curve([], [])
        for piece, start, end in self._stretches(self.from_s, self.to_s):
            bent = piece.slope and piece.in_travel  # by the belt's acceleration
            for i in range(9) if bent else (0, 8):
                t = start + (end - start) * i / 8
                curve.times_s.append(t)
                if bent:
                    curve.values.append(self._feed.engagement(min(t, end - _INSIDE_S)))
                else:
                    r = piece.engagement + piece.slope * (t - piece.start_s)
                    curve.values.append(min(1.0, max(0.0, r)))
        return curve

    def _stretches(self, from_s: float, to_s: float) -> list[tuple[FeedPiece, float, float]]:
        """Return the pieces of a part of the window, each with its start and end there."""
        pieces, found = self._pieces, []
        for i in range(self._number(from_s), self._number(to_s) + 1):
            end = pieces[i + 1].start_s if i + 1 < len(pieces) else math.inf
            start, end = max(from_s, pieces[i].start_s), min(to_s, end)
            if end > start:
                found.append((pieces[i], start, end))
        return found

    def _sampled(
        self, value: Callable[[FeedPiece, float], float], *, from_s: float, to_s: float
    ) -> Curve:
        step = (self.to_s - self.from_s) / _STEPS
        curve = Curve([], [])
        for piece, start, end in self._stretches(from_s, to_s):
            n = max(1, math.ceil((end - start) / step))
            times = [start + (end - start) * i / n for i in range(n)] + [end]
            curve.times_s.extend(times)
            curve.values.extend(value(piece, t) for t in times)
        return curve
