"""A stretch of a feed's motion, read off quickly however long the run was."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from feedsim.motion.feed import FeedMotion
from feedsim.motion.feed_piece import FeedPiece
from feedsim.running.replay.feed import FeedTravel

_STEPS = 600
_INSIDE_S = 1e-9


class Curve(NamedTuple):
    """Points of a line in a diagram: times (s) and values, of equal length."""

    times_s: list[float]
    values: list[float]


class FeedWindow(FeedTravel):
    """Position, speed and engagement of one feed, as curves between two times.

    Parameters
    ----------
    feed : FeedMotion
        Of a traced run, with all its pieces.
    from_s, to_s : float
        The window.
    """

    def __init__(self, feed: FeedMotion, *, from_s: float, to_s: float) -> None:
        super().__init__(feed, until_s=to_s)
        self._feed = feed
        self.from_s, self.to_s = from_s, to_s

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
        cut = (
            (piece, max(from_s, piece.start_s), min(to_s, end))
            for piece, end in self.pieces(from_s, to_s)
        )
        return [(piece, start, end) for piece, start, end in cut if end > start]

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
