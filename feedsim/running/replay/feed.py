"""A feed's motion after the run, with quick look-up in runs of any length."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right

from feedsim.motion.feed import FeedMotion
from feedsim.motion.feed_piece import FeedPiece


class FeedTravel:
    """Command p and travel f of one feed at any time of a traced run (model, section 7).

    Parameters
    ----------
    feed : FeedMotion
        With all its pieces.
    until_s : float
        Last time of interest.
    """

    def __init__(self, feed: FeedMotion, *, until_s: float) -> None:
        feed.position(until_s)  # makes the pieces up to there
        self._pieces = feed.pieces

    def _number(self, t: float) -> int:
        return max(0, bisect_right(self._pieces, t, key=lambda piece: piece.start_s) - 1)

    def position(self, t: float) -> float:
        """Return f (mm) at time ``t`` (s)."""
        return self._pieces[self._number(t)].position(t)

    def command(self, t: float) -> float:
        """Return p (mm) at time ``t`` (s)."""
        return self._pieces[self._number(t)].command(t)

    def lag(self, t: float) -> float:
        """Return p − f (mm) at time ``t`` (s)."""
        return self._pieces[self._number(t)].state(t)[1]

    def time_at(self, travel: float) -> float:
        """Return when f first reaches a travel (mm): 0 if it starts there, ``inf`` for never."""
        pieces = self._pieces
        i = bisect_left(pieces, travel, key=lambda piece: piece.start_mm) - 1
        if i < 0:
            return pieces[0].start_s
        t = pieces[i].time_at(travel)
        return min(t, pieces[i + 1].start_s) if i + 1 < len(pieces) else t

    def pieces(self, from_s: float, to_s: float) -> list[tuple[FeedPiece, float]]:
        """Return the pieces in force between two times (s), each with its end."""
        first, last = self._number(from_s), self._number(to_s) + 1
        ends = [piece.start_s for piece in self._pieces[first + 1 : last + 1]]
        return list(zip(self._pieces[first:last], [*ends, math.inf], strict=False))
